//go:build unix

package ipp

import (
	"slices"
	"strings"
	"testing"

	"tandem/drivers"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// names counts how often a job of a name was begun at the printer.
func (e *eve) begun(name string) (n int) {
	for _, line := range e.printed() {
		if line[0] == name {
			n++
		}
	}
	return n
}

func (s *shop) offline() {
	s.Helper()
	s.wait("the device is offline", func() bool { return s.daemon.Last().GetLink() == tandemv1.Link_LINK_OFFLINE })
}

// TestEvePlugPulled is a printer that is switched off in the middle of a job, and on again.
func TestEvePlugPulled(t *testing.T) {
	t.Parallel()
	e := newEve(t)
	art, sum := artwork(t, "%PDF-1.4 a sheet")
	s := open(t, quick(e.uri()))
	s.online()
	epoch := s.daemon.Last().GetEpoch()
	s.take(s.daemon.Grant(s.job("r1", 1, art, sum)))
	s.is("r1", processing)
	e.waits(1)
	s.wait("the printer is some seconds old", func() bool {
		p, err := clientFor(t, e.uri()).printer(t.Context())
		return err == nil && p.upTime >= 2
	})
	e.off()
	s.is("r1", halted, drivers.ReasonOutcomeUnknown)
	s.offline()
	e.on()
	s.wait("the printer is back, or a new epoch has begun without the run", func() bool {
		last := s.daemon.Last()
		r := s.daemon.Run("r1")
		return last.GetLink() == tandemv1.Link_LINK_ONLINE && (last.GetEpoch() > epoch && r == nil || r.GetState() == halted)
	})
	// A printer that has been on for longer by then than it was before cannot be told from one whose history was cleared.
	if s.daemon.Run("r1") == nil {
		if answer := s.daemon.Grant(s.job("r1", 1, art, sum)); answer.GetRefused() == "" {
			t.Error("a run that the printer has forgotten is taken again")
		}
	} else {
		s.is("r1", halted, drivers.ReasonOutcomeUnknown)
		s.take(s.daemon.Stop("r1", 1)) // a person has looked
		s.is("r1", canceled)
	}
	if n := e.begun("tandem.press.r1.1"); n != 1 {
		t.Errorf("printed %d times", n)
	}
	if lost, back := s.said("device lost"), s.said("device is back"); lost != 1 || back > 1 {
		t.Errorf("the log tells %d times that it is lost and %d times that it is back", lost, back)
	}
	s.take(s.daemon.Grant(s.job("r2", 2, art, sum))) // the floor goes on
	s.is("r2", processing)
	e.does("done")
	s.is("r2", completed)
}

// TestEveDriverKilled is a driver that dies with a job in work, and finds it again: in work, or done meanwhile, and also
// where its own memory is lost.
func TestEveDriverKilled(t *testing.T) { //nolint:tparallel // one printer, one run after another
	t.Parallel()
	e := newEve(t)
	art, sum := artwork(t, "%PDF-1.4 a sheet")
	s := &shop{dir: t.TempDir(), clock: clock.Wall(), given: quick(e.uri())}
	fence := uint64(0)
	for name, test := range map[string]struct{ forgets, meanwhile bool }{
		"in-work": {}, "done-meanwhile": {meanwhile: true}, "in-work-memory-lost": {forgets: true},
	} {
		t.Run(name, func(t *testing.T) {
			s.T = t
			s.start()
			s.online()
			fence++
			s.take(s.daemon.Grant(s.job(name, fence, art, sum)))
			s.is(name, processing)
			s.stop()
			if test.forgets {
				s.dir = t.TempDir()
			}
			if test.meanwhile {
				e.does("done")
				e.idle(t)
			}
			s.start()
			if !test.meanwhile {
				s.is(name, processing)
				e.does("done")
			}
			if test.forgets { // nobody has told the driver how many pieces it has
				s.take(s.daemon.Grant(s.job(name, fence, art, sum)))
			}
			r := s.is(name, completed)
			if r.GetFence() != fence || r.GetPiecesGood() != 12 && !test.forgets {
				t.Errorf("completed as %v, want fence %d and 12 pieces", r, fence)
			}
			hellos := s.daemon.Hellos()
			if len(hellos) == 0 || !slices.ContainsFunc(hellos[0].GetStatus().GetRuns(), func(r *driverv1.RunStatus) bool { return r.GetRun() == name }) {
				t.Errorf("the driver introduces itself with %v, want the run", hellos)
			}
			if n := len(e.printed()); n != int(fence) {
				t.Errorf("%d jobs were begun, want %d", n, fence)
			}
			s.take(s.daemon.Settle(name, fence))
		})
	}
}

// idle waits until the printer has nothing to do.
func (e *eve) idle(t *testing.T) {
	t.Helper()
	c := clientFor(t, e.uri())
	eventually(t, "the printer is idle", func() bool {
		p, err := c.printer(t.Context())
		return err == nil && p.state == idle
	})
}

// TestEveDaemonRestarted is a bus that is lost and found while a job is in work.
func TestEveDaemonRestarted(t *testing.T) {
	t.Parallel()
	e := newEve(t)
	art, sum := artwork(t, "%PDF-1.4 a sheet")
	s := open(t, quick(e.uri()))
	s.online()
	s.take(s.daemon.Grant(s.job("r1", 1, art, sum)))
	s.is("r1", processing)
	s.daemon.Connect(false)
	e.does("done")
	e.idle(t)
	hellos := len(s.daemon.Hellos())
	s.daemon.Connect(true)
	s.wait("it introduces itself with what it has done", func() bool {
		all := s.daemon.Hellos()
		return len(all) > hellos && len(all[len(all)-1].GetStatus().GetRuns()) == 1
	})
	s.is("r1", completed)
	s.take(s.daemon.Grant(s.job("r1", 1, art, sum))) // a daemon that has forgotten its answer asks again
	s.is("r1", completed)
	if n := len(e.printed()); n != 1 {
		t.Errorf("printed %d times", n)
	}
}

// TestEveCableOut is a cable that is pulled while a job is in work, and while a document is being sent.
func TestEveCableOut(t *testing.T) { //nolint:tparallel // one printer, one run after another
	t.Parallel()
	e := newEve(t)
	wire := newCable(t, e.address())
	s := open(t, quick(wire.uri(), "timeout", "2s"))
	s.online()

	t.Run("in work", func(t *testing.T) {
		s.T = t
		art, sum := artwork(t, "%PDF-1.4 a sheet")
		s.take(s.daemon.Grant(s.job("r1", 1, art, sum)))
		s.is("r1", processing)
		wire.pull(0)
		s.offline()
		s.is("r1", halted, drivers.ReasonOutcomeUnknown)
		e.does("done")
		e.idle(t)
		wire.put()
		s.is("r1", completed)
		if lost, back := s.said("device lost"), s.said("device is back"); lost != 1 || back != 1 {
			t.Errorf("the log tells %d times that it is lost and %d times that it is back, want once each", lost, back)
		}
		s.take(s.daemon.Settle("r1", 1))
	})

	t.Run("in the middle of a document", func(t *testing.T) {
		s.T = t
		art, sum := artwork(t, "%PDF-1.4 "+strings.Repeat("a large sheet ", 1<<20)) // more than all buffers on the way hold
		wire.pull(4 << 20)
		s.take(s.daemon.Grant(s.job("r2", 2, art, sum)))
		s.wait("the cable is out", wire.out)
		s.offline()
		wire.put()
		s.wait("the run has ended, or somebody must say what became of it", func() bool {
			r := s.daemon.Run("r2")
			return s.daemon.Last().GetLink() == tandemv1.Link_LINK_ONLINE && (r.GetState() == aborted || r.GetState() == halted)
		})
		for _, line := range e.printed() {
			if line[0] == "tandem.press.r2.2" && line[len(line)-1] == sum {
				t.Error("a document that was cut has arrived whole")
			}
		}
		if n := e.begun("tandem.press.r2.2"); n > 1 {
			t.Errorf("printed %d times", n)
		}
	})
}
