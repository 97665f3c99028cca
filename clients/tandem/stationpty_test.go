//go:build unix

package main

import (
	"os"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"

	tandemv1 "tandem/proto/tandem/v1"
)

// terminal is a pseudo-terminal with a station on it.
type terminal struct {
	*output // what the program has written
	keys    *os.File
	code    chan int
}

func onTerminal(t *testing.T, f *fake, args ...string) *terminal {
	t.Helper()
	s, _, _ := f.surroundings(append([]string{"station"}, args...)...)
	ours, theirs, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _, _ = ours.Close(), theirs.Close() })
	if err := pty.Setsize(ours, &pty.Winsize{Cols: 80, Rows: 24}); err != nil {
		t.Fatal(err)
	}
	term := &terminal{&output{}, ours, make(chan int, 1)}
	go func() {
		buffer := make([]byte, 4096)
		for {
			n, err := ours.Read(buffer)
			_, _ = term.Write(buffer[:n])
			if err != nil {
				return
			}
		}
	}()
	s.stdin, s.stdout, s.inIsTerminal, s.outIsTerminal = theirs, theirs, true, true
	s.now = time.Now
	go func() { term.code <- run(t.Context(), s) }()
	return term
}

func (term *terminal) send(t *testing.T, keys string) {
	t.Helper()
	if _, err := term.keys.WriteString(keys); err != nil {
		t.Fatal(err)
	}
}

func (term *terminal) ended(t *testing.T) int {
	t.Helper()
	select {
	case c := <-term.code:
		return c
	case <-time.After(20 * time.Second):
		t.Fatal("the program does not end")
		return 0
	}
}

// Sequences of xterm that other terminals know, too: the other screen.
const otherScreen, firstScreen = "\x1b[?1049h", "\x1b[?1049l"

// TestStationOnTerminal runs the whole program over a connection that breaks and comes back.
func TestStationOnTerminal(t *testing.T) {
	f := newFake(t)
	f.scan = func(r *tandemv1.RecordScanRequest) (*tandemv1.RecordScanResponse, error) {
		if r.GetPayload() == "P3" {
			return &tandemv1.RecordScanResponse{Outcome: tandemv1.RecordScanResponse_OUTCOME_WRONG_STATION, Message: "elsewhere"}, nil
		}
		return &tandemv1.RecordScanResponse{Outcome: tandemv1.RecordScanResponse_OUTCOME_STARTED, Message: "begins"}, nil
	}
	term := onTerminal(t, f, "--station", "st-9", "--device", "cutter-1")
	term.waitFor(t, otherScreen)
	term.waitFor(t, "cutter-1")
	term.send(t, "P1\r")
	term.waitFor(t, "begins")
	f.stop()
	term.send(t, "P2\r\n")
	term.waitFor(t, "AWAY")
	f.start()
	eventually(t, func() bool { return len(sent[*tandemv1.RecordScanRequest](f)) >= 2 }, func() string { return "P2 was never handed in" })
	term.send(t, "P3\r")
	term.waitFor(t, "elsewhere")
	term.waitFor(t, "\a")
	term.send(t, "\x04") // Ctrl-D
	if c := term.ended(t); c != exitOK {
		t.Errorf("exit %d", c)
	}
	term.waitFor(t, firstScreen)
	for _, r := range sent[*tandemv1.RecordScanRequest](f) {
		if r.GetStation() != "st-9" || r.GetDevice() != "cutter-1" || !strings.HasPrefix(r.GetPayload(), "P") {
			t.Errorf("request = %v", r)
		}
	}
}

// TestStationEndsWithWhatWaits: what was not handed in stands on the terminal that is left behind.
func TestStationEndsWithWhatWaits(t *testing.T) {
	f := newFake(t)
	f.stop()
	term := onTerminal(t, f)
	term.waitFor(t, "READY")
	term.send(t, "P7\r")
	term.waitFor(t, "AWAY")
	term.send(t, "\x03") // Ctrl-C
	if c := term.ended(t); c != exitInterrupted {
		t.Errorf("exit %d, want %d", c, exitInterrupted)
	}
	eventually(t, func() bool {
		_, after, ok := strings.Cut(term.String(), firstScreen)
		return ok && strings.Contains(after, "NOT SENT") && strings.Contains(after, "P7")
	}, func() string { return "not a word of P7 after the end:\n" + term.String() })
}

func TestStationPlainOnTerminal(t *testing.T) {
	f := newFake(t)
	term := onTerminal(t, f, "--plain", "--no-color")
	term.send(t, "P1\n")
	term.waitFor(t, "STARTED      P1  cut begins on cutter-1")
	term.send(t, "\x04")
	if c := term.ended(t); c != exitOK || strings.Contains(term.String(), "\x1b") {
		t.Errorf("exit %d, %q", c, term)
	}
}
