package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	tandemv1 "tandem/proto/tandem/v1"
)

// desk is a scan service on the other side of the room: it is away at times, and keeps what it was asked.
type desk struct {
	mu    sync.Mutex
	away  error
	asked []*tandemv1.RecordScanRequest
	taken []string // payloads answered, in order
}

func (d *desk) setAway(err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.away = err
}

func (d *desk) RecordScan(_ context.Context, r *tandemv1.RecordScanRequest, _ ...grpc.CallOption) (*tandemv1.RecordScanResponse, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.asked = append(d.asked, r)
	if d.away != nil {
		return nil, d.away
	}
	if r.GetPayload() == "BAD" {
		return nil, status.Error(codes.InvalidArgument, "that is no scan")
	}
	d.taken = append(d.taken, r.GetPayload())
	return &tandemv1.RecordScanResponse{Outcome: tandemv1.RecordScanResponse_OUTCOME_MOVED, Message: "noted"}, nil
}

// keys returns the scan_ids under which a payload was handed in, each once.
func (d *desk) keys(payload string) map[string]int {
	d.mu.Lock()
	defer d.mu.Unlock()
	keys := map[string]int{}
	for _, r := range d.asked {
		if r.GetPayload() == payload {
			keys[r.GetScanId()]++
		}
	}
	return keys
}

// shift is a station under test, in a bubble of its own time.
type shift struct {
	desk  *desk
	out   *output
	err   *output
	write func(string)
	end   func() error
	stop  context.CancelFunc
}

func newShift(t *testing.T, flags func(*app)) *shift {
	t.Helper()
	in, write := newTyping(t)
	sh := &shift{desk: &desk{}, out: &output{}, err: &output{}, write: write}
	s := system{
		env: func(string) string { return "" }, stdin: in, stdout: sh.out, stderr: sh.err, outIsTerminal: true, now: time.Now, zone: zone,
	}
	a := &app{system: s, printer: newPrinter(s)}
	a.noColor = true
	if flags != nil {
		flags(a)
	}
	ctx, cancel := context.WithCancel(t.Context())
	sh.stop = cancel
	done := make(chan error, 1)
	go func() { done <- newStation(sh.desk, place{"st-1", "cutter-1"}, time.Minute, a).run(ctx) }()
	sh.end = func() error {
		write("")
		err := <-done
		cancel()
		return err
	}
	return sh
}

// lines returns what the operator was told, without bells.
func (s *shift) lines() string { return strings.ReplaceAll(s.out.String(), "\a", "") }

func inBubble(t *testing.T, f func(t *testing.T)) {
	t.Helper()
	synctest.Test(t, f)
}

var gone = status.Error(codes.Unavailable, "connection refused")

func TestStationAnswersEachScan(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		s := newShift(t, nil)
		s.write("P1\rP2\nP3\r\nBAD\r")
		if err := s.end(); err != nil {
			t.Errorf("end: %v", err)
		}
		want := "MOVED        P1  noted\nMOVED        P2  noted\nMOVED        P3  noted\nREFUSED      BAD  that is no scan\n"
		if s.lines() != want {
			t.Errorf("told\n%s\nwant\n%s", s.lines(), want)
		}
		r := s.desk.asked[0]
		if r.GetStation() != "st-1" || r.GetDevice() != "cutter-1" || r.GetScanTime() == nil {
			t.Errorf("request = %v", r)
		}
		if strings.Count(s.out.String(), "\a") != 1 || !strings.Contains(s.out.String(), "\aREFUSED") {
			t.Errorf("want one bell, before the refusal: %q", s.out)
		}
	})
}

// A scan that is refused for want of space is refused at once: those behind it, of work under way, are taken.
func TestStationWithoutSpace(t *testing.T) {
	full := detailed(t, codes.Unavailable, "the disk is nearly full", &errdetails.ErrorInfo{Reason: "LEDGER_READ_ONLY", Domain: "tandem"})
	inBubble(t, func(t *testing.T) {
		s := newShift(t, nil)
		s.desk.setAway(full)
		s.write("P1\r")
		time.Sleep(time.Second)
		s.desk.setAway(nil)
		s.write("P2\r")
		if err := s.end(); err != nil {
			t.Errorf("end: %v", err)
		}
		if want := "REFUSED      P1  the disk is nearly full (LEDGER_READ_ONLY)\nMOVED        P2  noted\n"; s.lines() != want {
			t.Errorf("told\n%s\nwant\n%s", s.lines(), want)
		}
	})
}

func TestStationBounce(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		s := newShift(t, nil)
		for _, step := range []struct {
			text string
			wait time.Duration
		}{
			{"P1\r", 300 * time.Millisecond},
			{"P1\r\n", 900 * time.Millisecond}, // ignored
			{"P1\r", 1100 * time.Millisecond},  // ignored: a second since the last one seen has not passed
			{"P1\r", 0},                        // counts
			{"P2\r", 0},                        // another code counts at once
			{"P1\r", 0},                        // and so does the first again
		} {
			s.write(step.text)
			time.Sleep(step.wait)
			synctest.Wait()
		}
		if err := s.end(); err != nil {
			t.Errorf("end: %v", err)
		}
		ignored := "IGNORED      P1  the same code within a second: taken for one scan\n"
		want := "MOVED        P1  noted\n" + ignored + ignored + "MOVED        P1  noted\nMOVED        P2  noted\nMOVED        P1  noted\n"
		if s.lines() != want {
			t.Errorf("told\n%s\nwant\n%s", s.lines(), want)
		}
		if n := len(s.desk.keys("P1")); n != 3 {
			t.Errorf("%d scan_ids for three scans", n)
		}
	})
}

// TestStationAwayAndBack: scans wait in order and are handed in under the same scan_id; the operator is told.
func TestStationAwayAndBack(t *testing.T) {
	for _, err := range []error{gone, status.Error(codes.DeadlineExceeded, "no answer"), status.Error(codes.ResourceExhausted, "slow down")} {
		inBubble(t, func(t *testing.T) {
			s := newShift(t, nil)
			s.desk.setAway(err)
			s.write("P1\r")
			synctest.Wait()
			s.write("P2\r")
			s.write("P3\r")
			time.Sleep(10 * time.Second)
			synctest.Wait()
			if len(s.desk.taken) != 0 {
				t.Fatalf("taken while away: %v", s.desk.taken)
			}
			waits := s.lines()
			if strings.Count(waits, "WAITS        P1  the daemon does not answer") != 1 ||
				!strings.Contains(waits, "keep clear of the machine") ||
				!strings.Contains(waits, "WAITS        P2  the daemon is away: 1 scan before it. Nothing has been done yet") ||
				!strings.Contains(waits, "WAITS        P3  the daemon is away: 2 scans before it.") {
				t.Errorf("told\n%s", waits)
			}
			s.desk.setAway(nil)
			if err := s.end(); err != nil {
				t.Errorf("end: %v", err)
			}
			if got := fmt.Sprint(s.desk.taken); got != "[P1 P2 P3]" {
				t.Errorf("taken in the order %s", got)
			}
			keys := s.desk.keys("P1")
			if len(keys) != 1 {
				t.Errorf("P1 was handed in under %d scan_ids", len(keys))
			}
			for _, n := range keys {
				if n < 3 {
					t.Errorf("P1 was tried %d times in 10 s", n)
				}
			}
			if strings.Count(s.err.String(), "the daemon is back: handing in 3 scans\n") != 1 {
				t.Errorf("talk %q", s.err)
			}
		})
	}
}

func TestStationQueueIsBounded(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		s := newShift(t, nil)
		s.desk.setAway(gone)
		s.write("P0\r")
		synctest.Wait() // P0 is on its way, out of the queue
		for i := 1; i <= mostWaiting+2; i++ {
			s.write(fmt.Sprintf("P%d\r", i))
		}
		synctest.Wait()
		for _, i := range []int{mostWaiting + 1, mostWaiting + 2} {
			want := fmt.Sprintf("\aREFUSED      P%d  100 scans wait already: scan it again when the daemon is back\n", i)
			if !strings.Contains(s.out.String(), want) {
				t.Errorf("no %q in\n%s", want, s.out)
			}
		}
		s.desk.setAway(nil)
		if err := s.end(); err != nil {
			t.Errorf("end: %v", err)
		}
		if n := len(s.desk.taken); n != mostWaiting+1 {
			t.Errorf("%d scans taken, want %d", n, mostWaiting+1)
		}
		for i, payload := range s.desk.taken {
			if payload != fmt.Sprintf("P%d", i) {
				t.Fatalf("scan %d is %s", i, payload)
			}
		}
	})
}

// TestStationGivesUpOldScans: what has waited for too long is not handed in behind the operator's back.
func TestStationGivesUpOldScans(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		s := newShift(t, nil)
		s.desk.setAway(gone)
		s.write("P1\r")
		time.Sleep(58 * time.Second)
		s.write("P2\r")
		time.Sleep(20 * time.Second) // P1 is too old by now, P2 is not
		synctest.Wait()
		s.desk.setAway(nil)
		err := s.end()
		if code := exitOf(err); code != exitUnavailable {
			t.Errorf("exit %d, want %d for a scan that was not handed in", code, exitUnavailable)
		}
		if !strings.Contains(s.out.String(), "\aTOO OLD      P1  no answer for more than 1 min, so nobody knows whether it counts: look before you scan it again\n") {
			t.Errorf("told\n%s", s.out)
		}
		if got := fmt.Sprint(s.desk.taken); got != "[P2]" {
			t.Errorf("taken: %s", got)
		}
	})
}

func TestStationNeverTriedAndTooOld(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		s := newShift(t, nil)
		s.desk.setAway(gone)
		s.write("P1\r")
		synctest.Wait()
		s.write("P2\r")
		err := s.end() // nobody comes back: it ends all the same
		if code := exitOf(err); code != exitUnavailable {
			t.Errorf("exit %d", code)
		}
		if !strings.Contains(s.lines(), "TOO OLD      P2  it waited for more than 1 min and was not handed in: scan it again\n") {
			t.Errorf("told\n%s", s.lines())
		}
	})
}

func TestStationInterrupted(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		s := newShift(t, nil)
		s.desk.setAway(gone)
		s.write("P1\r")
		synctest.Wait()
		s.write("P2\r")
		synctest.Wait()
		s.stop()
		if err := s.end(); !errors.Is(err, context.Canceled) {
			t.Errorf("error = %v", err)
		}
		for _, want := range []string{"NOT SENT     P1  the station was ended before the daemon answered", "NOT SENT     P2  the station was ended\n"} {
			if !strings.Contains(s.lines(), want) {
				t.Errorf("no %q in\n%s", want, s.lines())
			}
		}
	})
}

func TestStationTooLongLine(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		s := newShift(t, nil)
		s.write(strings.Repeat("x", 2000) + "\rP1\r")
		if err := s.end(); err != nil {
			t.Errorf("end: %v", err)
		}
		if !strings.HasPrefix(s.lines(), "REFUSED        longer than any code: a scan has at most 512 characters\nMOVED        P1") {
			t.Errorf("told\n%s", s.lines())
		}
	})
}

// TestStationBytesThatAreNoText: the daemon says what they are, not the transport.
func TestStationBytesThatAreNoText(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		s := newShift(t, nil)
		s.write("\xff\xfeP1\rP2\r")
		if err := s.end(); err != nil {
			t.Errorf("end: %v", err)
		}
		if got := s.desk.asked[0].GetPayload(); got != "?P1" {
			t.Errorf("handed in %q", got)
		}
		if got := s.desk.asked[1].GetPayload(); got != "P2" {
			t.Errorf("then handed in %q", got)
		}
	})
}

// TestStationJSON: data are the daemon's answers alone, the station's own words are talk.
func TestStationJSON(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		s := newShift(t, func(a *app) { a.json = true })
		s.write("P1\rP1\rBAD\r")
		if err := s.end(); err != nil {
			t.Errorf("end: %v", err)
		}
		if s.out.String() != `{"outcome":"OUTCOME_MOVED","message":"noted"}`+"\n" {
			t.Errorf("data %q", s.out)
		}
		if !strings.Contains(s.err.String(), "IGNORED  P1") || !strings.Contains(s.err.String(), "REFUSED  BAD") {
			t.Errorf("talk %q", s.err)
		}
	})
}

func exitOf(err error) int {
	if t := (*told)(nil); errors.As(err, &t) {
		return t.code
	}
	return exitCode(err)
}

// TestStationCommand runs the whole program over a real connection that breaks and comes back.
func TestStationCommand(t *testing.T) {
	f := newFake(t)
	s, out, errs := f.surroundings("station", "--station", "st-9", "--device", "cutter-1")
	in, write := newTyping(t)
	s.stdin = in
	s.now = time.Now
	end := background(t, s)
	write("P1\r")
	out.waitFor(t, "STARTED      P1  cut begins on cutter-1\n")
	f.stop()
	write("P2\r\n")
	out.waitFor(t, "WAITS        P2  the daemon does not answer")
	f.start()
	out.waitFor(t, "STARTED      P2")
	errs.waitFor(t, "the daemon is back: handing in 1 scan")
	write("")
	eventually(t, func() bool { return len(sent[*tandemv1.RecordScanRequest](f)) >= 2 }, func() string { return "scans are missing" })
	keys := map[string]bool{}
	for _, r := range sent[*tandemv1.RecordScanRequest](f) {
		if r.GetPayload() == "P2" {
			keys[r.GetScanId()] = true
		}
		if r.GetStation() != "st-9" || r.GetDevice() != "cutter-1" {
			t.Errorf("request = %v", r)
		}
	}
	if len(keys) != 1 {
		t.Errorf("P2 was handed in under %d scan_ids", len(keys))
	}
	if !strings.HasPrefix(errs.String(), "station st-9 takes scans; end with Ctrl-D or Ctrl-C\n") {
		t.Errorf("talk %q", errs)
	}
	if strings.Contains(out.String(), "\a") || strings.Contains(out.String(), "\x1b") {
		t.Errorf("bell or colour in a pipe: %q", out)
	}
	end()
}
