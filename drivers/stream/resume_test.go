package stream

import (
	"bytes"
	"fmt"
	"net"
	"strconv"
	"strings"
	"testing"
	"time"

	"tandem/drivers/filejob/filejobtest"
)

// TestResume: the rest of a file is sent where the device says how much it has, and only there.
func TestResume(t *testing.T) {
	const size, had = 200_000, 30_000
	for _, test := range []struct {
		name    string
		answer  string // to resume-ask
		resumed bool
	}{
		{"it tells its place", "AT " + strconv.Itoa(had), true},
		{"it has said something else before", "BUSY\nAT " + strconv.Itoa(had), true},
		{"more than was sent", "AT 199999999", false},
		{"no number that is one", "AT 99999999999999999999999", false},
		{"not asked for", "OK", false},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t, map[string]string{
				"resume-ask": `AT?\n`, "resume-answer": `^AT (\d+)$`, "resume-within": "2s", "done": "closed", "pace": "500000",
			})
			body, doc := b.file(size)
			p := listen(t, func(n int, c *net.TCPConn) []byte {
				if n == 0 {
					took := take(c, had)
					reset(c)
					return took
				}
				if asked := string(take(c, 4)); asked != "AT?\n" {
					t.Errorf("it is asked %q", asked)
				}
				fmt.Fprint(c, test.answer+"\n")
				return append(take(c, size-had), 0)
			})
			b.settings["address"] = p.Addr().String()
			f := b.start()
			f.Grant(filejobtest.Started("r1", time.Hour, doc))
			if test.resumed {
				f.Run("r1", completed, "")
			} else {
				f.Unknown("r1")
				if f.Lost() == nil {
					t.Error("Run returns without an error")
				}
			}
			took := bytes.ReplaceAll(bytes.Join(p.close(), nil), []byte{0}, nil)
			if test.resumed && !bytes.Equal(took, body) {
				t.Errorf("the device has taken %d bytes that are not the file", len(took))
			}
			if !test.resumed && !bytes.Equal(took, body[:had]) {
				t.Errorf("the device has taken %d bytes, want none but the first %d", len(took), had)
			}
		})
	}
}

// TestNoResumeAfterRestart: a driver that starts anew sends no rest, whatever the device says.
func TestNoResumeAfterRestart(t *testing.T) {
	t.Parallel()
	b := newBench(t, map[string]string{"resume-ask": `AT?\n`, "resume-answer": `^AT (\d+)$`, "pace": "50000"})
	_, doc := b.file(200_000)
	p := listen(t, func(_ int, c *net.TCPConn) []byte { return takeAll(c) })
	b.settings["address"] = p.Addr().String()
	f := b.start()
	f.Grant(filejobtest.Started("r1", time.Hour, doc))
	f.Run("r1", processing, "")
	if err := f.Stop(); err != nil {
		t.Error(err)
	}
	again := b.start()
	again.Unknown("r1")
	again.Grant(filejobtest.Started("r1", time.Hour, doc))
	again.Settle("r1")
	again.Idle()
	if took := p.close(); len(took) > 1 || strings.Contains(string(bytes.Join(took, nil)), "AT?") {
		t.Errorf("%d connections took something", len(took))
	}
}

// FuzzPlace: a device's word on where it is never leads outside of what was sent.
func FuzzPlace(f *testing.F) {
	f.Add([]byte("30"), int64(100))
	f.Add([]byte("-1"), int64(100))
	f.Add([]byte("+7"), int64(0))
	f.Fuzz(func(t *testing.T, digits []byte, sent int64) {
		if at, err := place(digits, sent); err == nil && (at < 0 || at > sent) {
			t.Errorf("%q of %d bytes is %d", digits, sent, at)
		}
	})
}
