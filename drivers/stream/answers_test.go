package stream

import (
	"bytes"
	"regexp"
	"slices"
	"strings"
	"testing"
)

func TestAnswers(t *testing.T) {
	long := strings.Repeat("x", longestAnswer)
	for _, test := range []struct {
		name, end, in string
		want          []string
	}{
		{"lines", "\n", "A\nB\n\nC", []string{"A", "B", ""}},
		{"an end of two bytes", "\r\n", "A\rB\r\n\r\nC\r\r\n", []string{"A\rB", "", "C\r"}},
		{"one byte, as an ACK", "\x06", "\x06", []string{""}},
		{"as long as it may be", "\n", long + "\n", []string{long}},
		{"too long", "\r\n", long + "yz\r\nA\r\n", []string{long, "A"}},
		{"much too long", "\n", strings.Repeat(long, 3) + "\nA\n", []string{long, "A"}},
		{"too long, and its end at the edge", "\r\n", long + "\r\nA\r\n", []string{long, "A"}},
		{"too long, and half an end at the edge", "\r\n", long + "z\r\nA\r\n", []string{long, "A"}},
	} {
		var got []string
		l := listener{end: []byte(test.end)}
		l.hear([]byte(test.in), func(a []byte) { got = append(got, string(a)) })
		if !slices.Equal(got, test.want) {
			t.Errorf("%s: %.80q, want %.80q", test.name, got, test.want)
		}
	}
}

func TestMeaning(t *testing.T) {
	a := answers{patterns: []answer{{regexp.MustCompile("^DONE"), wordDone}, {regexp.MustCompile("ERR"), wordFailed}}}
	for in, want := range map[string]word{"DONE": wordDone, "DONE ERR": wordDone, "x ERR": wordFailed, "": wordNone, "\xff\x00": wordNone} {
		if got := a.meaning([]byte(in)); got != want {
			t.Errorf("%q means %d, want %d", in, got, want)
		}
	}
}

// FuzzListener: what a device says is cut into the same answers however its bytes arrive, and none grows without bound.
func FuzzListener(f *testing.F) {
	f.Add([]byte("A\r\nB\r\n"), []byte("\r\n"), uint8(1))
	f.Add(append(bytes.Repeat([]byte("ab"), longestAnswer), "aab"...), []byte("aab"), uint8(7))
	f.Fuzz(func(t *testing.T, in, end []byte, step uint8) {
		if len(end) == 0 || len(end) > 64 || step == 0 {
			return
		}
		cut := func(step int) (out []string) {
			l := listener{end: end}
			for part := range slices.Chunk(in, step) {
				l.hear(part, func(a []byte) { out = append(out, string(a)) })
			}
			if len(l.line) > longestAnswer+len(end) || len(l.tail) > len(end) {
				t.Fatalf("it holds %d and %d bytes", len(l.line), len(l.tail))
			}
			return out
		}
		whole, parts := cut(max(len(in), 1)), cut(int(step))
		if !slices.Equal(whole, parts) {
			t.Errorf("in one: %q, in parts: %q", whole, parts)
		}
		for _, a := range whole {
			if len(a) > longestAnswer || bytes.Contains([]byte(a), end) {
				t.Errorf("an answer is %.80q", a)
			}
		}
	})
}
