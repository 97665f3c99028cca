package main

import (
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
	"testing/iotest"
)

func TestWedge(t *testing.T) {
	long := strings.Repeat("x", maxPayload)
	tests := []struct {
		name, in string
		want     []string
	}{
		{"CR", "A\rB\r", []string{"A", "B"}},
		{"LF", "A\nB\n", []string{"A", "B"}},
		{"CR LF", "A\r\nB\r\n", []string{"A", "B"}},
		{"mixed", "A\rB\nC\r\nD\n\rE", []string{"A", "B", "C", "D", "E"}},
		{"without a line end at the end of the input", "A", []string{"A"}},
		{"empty lines and spaces", "\r\n \t\nA \t\r\n\n", []string{"A"}},
		{"nothing", "", nil},
		{"the longest", long + "\rB\r", []string{long, "B"}},
		{"too long", long + "y\rB\r", []string{"too long", "B"}},
		{"much too long, without an end", strings.Repeat(long, 50), []string{"too long"}},
		{"doubled by the reader: not taken apart", "P7ZP7Z\r", []string{"P7ZP7Z"}},
		// ISO/IEC 15424: a symbology identifier in front is the daemon's to strip.
		{"symbology identifier", "]C0P7Z\r", []string{"]C0P7Z"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			w := newWedge(iotest.OneByteReader(strings.NewReader(tt.in)))
			var got []string
			for {
				payload, err := w.next()
				if errors.Is(err, io.EOF) {
					break
				}
				if errors.Is(err, errTooLong) {
					payload = "too long"
				} else if err != nil {
					t.Fatal(err)
				}
				got = append(got, payload)
			}
			if !slices.Equal(got, tt.want) {
				t.Errorf("got %q, want %q", got, tt.want)
			}
		})
	}
}

func TestWedgeTellsReadErrors(t *testing.T) {
	w := newWedge(io.MultiReader(strings.NewReader("A\r"), iotest.ErrReader(io.ErrUnexpectedEOF)))
	if payload, err := w.next(); payload != "A" || err != nil {
		t.Errorf("got %q, %v", payload, err)
	}
	if _, err := w.next(); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("error = %v", err)
	}
}

// FuzzWedge: no input makes a payload that is empty, too long or holds a line end, and all input ends.
func FuzzWedge(f *testing.F) {
	f.Add([]byte("A\rB\nC\r\n"))
	f.Add([]byte{0, '\r', 0xff, '\n'})
	f.Fuzz(func(t *testing.T, data []byte) {
		w := newWedge(strings.NewReader(string(data)))
		for range len(data) + 1 {
			payload, err := w.next()
			if errors.Is(err, io.EOF) {
				return
			}
			if errors.Is(err, errTooLong) {
				continue
			}
			if err != nil || payload == "" || len(payload) > maxPayload || strings.ContainsAny(payload, "\r\n") {
				t.Fatalf("payload %q, error %v", payload, err)
			}
		}
		t.Fatal("the input does not end")
	})
}
