package ipp

import (
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/OpenPrinting/goipp"

	"tandem/drivers/ipp/ipptest"
	tandemv1 "tandem/proto/tandem/v1"
)

// once gives a status at the nth request of a kind, and the usual answer to all others.
func once(op goipp.Op, nth int, status goipp.Status) func(goipp.Op) goipp.Status {
	n := 0
	return func(o goipp.Op) goipp.Status {
		if o == op {
			if n++; n == nth {
				return status
			}
		}
		return 0
	}
}

// TestSecondDocumentPutOff: a printer that has taken the first of two documents and is busy with the second is given the second
// again, and not both.
func TestSecondDocumentPutOff(t *testing.T) {
	t.Parallel()
	first, sum := artwork(t, "%PDF-1.4 first")
	second, sum2 := artwork(t, "%PDF-1.4 second")
	for _, restart := range []bool{false, true} {
		p := ipptest.New()
		p.Several = true
		p.Refuses = once(goipp.OpSendDocument, 2, goipp.StatusErrorBusy)
		s := open(t, quick(p.Serve(t)))
		s.online()
		g := s.job("r1", 1, first, sum)
		g.Documents = append(g.Documents, &tandemv1.Document{Role: "artwork", Uri: second, Sha256: sum2})
		if restart {
			p.Refuses = func(op goipp.Op) goipp.Status {
				if op == goipp.OpSendDocument && len(p.Jobs[0].Documents) > 0 {
					return goipp.StatusErrorBusy
				}
				return 0
			}
		}
		s.take(s.daemon.Grant(g))
		if restart {
			s.wait("it is put off", func() bool { return s.said("the printer puts a run off") > 0 })
			s.stop()
			p.Do(func() { p.Refuses = nil })
			s.start()
			s.online()
			g.StartTime = &tandemStamp{Seconds: 1}
			s.take(s.daemon.Grant(g))
		}
		s.is("r1", completed)
		p.Do(func() {
			if len(p.Jobs) != 1 || len(p.Jobs[0].Documents) != 2 || string(p.Jobs[0].Documents[1]) != "%PDF-1.4 second" {
				t.Errorf("the printer has %d jobs, the first of %q: want one of two documents", len(p.Jobs), p.Jobs[0].Documents)
			}
		})
	}
}

// TestTakenAndDenied: a printer that says that it is busy and prints all the same is not given the document again.
func TestTakenAndDenied(t *testing.T) {
	t.Parallel()
	art, sum := artwork(t, "%PDF-1.4 a sheet")
	p := ipptest.New()
	p.Denies = once(goipp.OpSendDocument, 1, goipp.StatusErrorBusy)
	s := open(t, quick(p.Serve(t)))
	s.online()
	s.take(s.daemon.Grant(s.job("r1", 1, art, sum)))
	s.is("r1", completed)
	p.Do(func() {
		if n := p.Requests[goipp.OpSendDocument]; n != 1 || len(p.Jobs) != 1 {
			t.Errorf("the document was sent %d times in %d jobs", n, len(p.Jobs))
		}
	})
}

// TestAnswerLostAndCutShort: a document whose last bytes were handed to the network has not arrived for that. Where the printer
// has less of it and completes what it has, nobody claims that the run is done, and the log does not say so at each poll.
func TestAnswerLostAndCutShort(t *testing.T) {
	t.Parallel()
	art, sum := artwork(t, "%PDF-1.4 "+strings.Repeat("a long sheet ", 300))
	p := ipptest.New()
	p.Stands = true
	p.Breaks = func(op goipp.Op) ipptest.Break {
		if op == goipp.OpSendDocument {
			return ipptest.After
		}
		return ipptest.Whole
	}
	s := open(t, quick(p.Serve(t), "lost-after", "10s"))
	s.online()
	s.take(s.daemon.Grant(s.job("r1", 1, art, sum)))
	s.is("r1", processing)
	p.Do(func() { p.Jobs[0].Documents[0] = []byte("%PDF"); p.Stands = false })
	s.is("r1", halted, "x-outcome-unknown")
	before := 0
	p.Do(func() { before = p.Requests[goipp.OpGetPrinterAttributes] })
	s.wait("it is polled some times", func() (b bool) {
		p.Do(func() { b = p.Requests[goipp.OpGetPrinterAttributes] > before+5 })
		return b
	})
	if n := s.said("the printer has completed a run"); n != 1 || s.said("the printer knows the run again") > 0 {
		t.Errorf("the log says it %d times", n)
	}
}

// TestFoundCutShort: a job of the run's name that is there already, whatever the driver remembers, is complete if the printer has
// all of it.
func TestFoundCutShort(t *testing.T) {
	t.Parallel()
	art, sum := artwork(t, "%PDF-1.4 "+strings.Repeat("a long sheet ", 300))
	for size, want := range map[int]tandemv1.JobState{4096: completed, 10: halted} {
		p := ipptest.New()
		p.Jobs = []*ipptest.Job{{ID: 1, Name: "tandem.press.r1.1.12", State: ipptest.Completed, Documents: [][]byte{make([]byte, size)}, Done: 4}}
		s := open(t, quick(p.Serve(t)))
		s.online()
		s.take(s.daemon.Grant(s.job("r1", 1, art, sum)))
		s.is("r1", want)
		p.Do(func() {
			if len(p.Jobs) != 1 {
				t.Errorf("it is printed again: %d jobs", len(p.Jobs))
			}
		})
	}
}

// TestListedOnceWhole: a printer that tells of a job once it has all of it is not taken for one that has forgotten it.
func TestListedOnceWhole(t *testing.T) {
	t.Parallel()
	art, sum := artwork(t, "%PDF-1.4 a sheet")
	p := ipptest.New()
	p.OneRequest = true
	held := make(chan struct{})
	p.Waits = func(op goipp.Op) {
		if op == goipp.OpPrintJob {
			<-held
		}
	}
	s := open(t, quick(p.Serve(t)))
	var once sync.Once
	release := func() { once.Do(func() { close(held) }) }
	t.Cleanup(release)
	s.online()
	s.take(s.daemon.Grant(s.job("r1", 1, art, sum)))
	s.wait("it is sent", func() bool { return slices.Contains(s.daemon.Run("r1").GetStateReasons(), "job-incoming") })
	before := 0
	p.Do(func() { before = p.Requests[goipp.OpGetPrinterAttributes] })
	s.wait("it is polled some times", func() (b bool) {
		p.Do(func() { b = p.Requests[goipp.OpGetPrinterAttributes] > before+5 })
		return b
	})
	if r := s.daemon.Run("r1"); r.GetState() != pending {
		t.Errorf("while it is sent the run is %v", r)
	}
	release()
	s.is("r1", completed)
}

// TestReplacedBeforeSending: a file that is replaced between its check and its sending does not go to the printer, not in part
// either: a printer may begin before it has the last bytes.
func TestReplacedBeforeSending(t *testing.T) {
	t.Parallel()
	for _, oneRequest := range []bool{false, true} {
		art, sum := artwork(t, "%PDF-1.4 a sheet")
		p := ipptest.New()
		p.OneRequest = oneRequest
		p.Waits = func(op goipp.Op) {
			if op == goipp.OpValidateJob {
				other := art + ".new"
				if err := os.WriteFile(other, []byte("%PDF-1.4 A SHEET"), 0o600); err == nil {
					_ = os.Rename(other, art)
				}
			}
		}
		s := open(t, quick(p.Serve(t)))
		s.online()
		s.take(s.daemon.Grant(s.job("r1", 1, art, sum)))
		s.is("r1", aborted)
		p.Do(func() {
			if n := p.Requests[goipp.OpSendDocument] + p.Requests[goipp.OpPrintJob]; n > 0 {
				t.Errorf("%d requests with a document", n)
			}
			for _, j := range p.Jobs {
				if j.State != ipptest.Canceled {
					t.Errorf("job %d is left in state %d", j.ID, j.State)
				}
			}
		})
	}
}

// TestStopOfAReusedNumber: a printer that was restarted since the last poll has given the job's number to somebody else's job, which
// is not canceled.
func TestStopOfAReusedNumber(t *testing.T) {
	t.Parallel()
	art, sum := artwork(t, "%PDF-1.4 a sheet")
	p := ipptest.New()
	p.Stands = true
	s := open(t, quick(p.Serve(t), "poll", "1m", "poll-slow", "1m"))
	s.online()
	s.take(s.daemon.Grant(s.job("r1", 1, art, sum)))
	s.is("r1", processing)
	p.Forget()
	before := 0
	p.Do(func() {
		p.Jobs = []*ipptest.Job{{ID: 1, Name: "a poster of others", State: ipptest.Printing}}
		before = p.Requests[goipp.OpGetJobAttributes] + p.Requests[goipp.OpCancelJob]
	})
	s.take(s.daemon.Stop("r1", 1))
	s.wait("the printer is asked", func() (b bool) {
		p.Do(func() { b = p.Requests[goipp.OpGetJobAttributes]+p.Requests[goipp.OpCancelJob] > before })
		return b
	})
	s.stop()
	p.Do(func() {
		if n := p.Requests[goipp.OpCancelJob]; n > 0 || p.Jobs[0].State != ipptest.Printing {
			t.Errorf("the job of others is canceled")
		}
	})
}

// TestReadingIsNotWaitedFor: a file on a share that does not answer does not keep a driver from its end, or from a new beginning.
func TestReadingIsNotWaitedFor(t *testing.T) {
	t.Parallel()
	r := &run{Run: "r1"}
	r.work = &work{run: r} // it reads, for ever
	d := &device{memory: memory{Runs: []*run{r}}}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		d.collect()
	}()
	select {
	case <-ended:
	case <-time.After(10 * time.Second):
		t.Error("the driver waits for a file that is being read")
	}
}
