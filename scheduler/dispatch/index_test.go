package dispatch

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// On any floor, whatever has happened to it, the dispatcher grants what reading every step grants, and an index kept through
// all changes what one built afresh does.
func TestChoiceAgainstReadingEveryStep(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := newShop(t.Fatalf, EarliestCompletion, anyDevices(t)...)
		s.do(floor.Configure{File: withPeople(t, s.floor.File())})
		t.Repeat(map[string]func(*rapid.T){
			"submit": func(t *rapid.T) { s.try(floor.CreateJob{Job: anyJob(t, len(s.floor.Jobs), s.now)}) },
			"time": func(t *rapid.T) {
				s.now = s.now.Add(time.Duration(rapid.IntRange(1, 300).Draw(t, "minutes")) * time.Minute)
			},
			"grant": s.grantAsRead,
			"many":  s.submitMany,
			"begin": func(t *rapid.T) { s.report(t, tandemv1.JobState_JOB_STATE_PROCESSING) },
			"end":   func(t *rapid.T) { s.report(t, tandemv1.JobState_JOB_STATE_COMPLETED) },
			"jam":   func(t *rapid.T) { s.report(t, tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED) },
			"refuse": func(t *rapid.T) {
				if r := s.anyLive(t); r != nil {
					s.try(floor.RefuseRun{Run: r.ID, Reason: "no"})
				}
			},
			"take back": func(t *rapid.T) {
				if r := s.anyLive(t); r != nil {
					s.try(floor.PauseDevice{Device: r.Device.ID})
					s.try(floor.StopRefused{Run: r.ID})
				}
			},
			"device": func(t *rapid.T) {
				id := s.anyDevice(t).ID
				s.try(rapid.SampledFrom([]floor.Command{
					floor.PauseDevice{Device: id},
					floor.PauseDevice{Device: id, Back: s.now.Add(time.Hour)},
					floor.ResumeDevice{Device: id},
					floor.ResumeDevice{Device: id},
					floor.LockDevice{Device: id},
					floor.UnlockDevice{Device: id},
					floor.LoseDevice{Device: id},
					floor.Report{Device: id, Status: idleStatus()},
					floor.LoadMedia{Device: id, Media: "white"},
					floor.LoadMedia{Device: id, Media: "clear"},
				}).Draw(t, "what"))
			},
			"people": func(t *rapid.T) {
				s.try(floor.SetAttendance{Operators: rapid.IntRange(0, 3).Draw(t, "operators"), Until: s.now.Add(time.Duration(rapid.IntRange(1, 300).Draw(t, "for")) * time.Minute)})
			},
			"lot": func(t *rapid.T) {
				s.try(floor.ReceiveLot{Lot: &tandemv1.Lot{Media: rapid.SampledFrom([]string{"white", "clear"}).Draw(t, "media"), LengthUm: rapid.Int64Range(1, 80_000_000).Draw(t, "length")}})
				s.loadLot(t)
			},
			"load a lot": s.loadLot,
			"measure": func(t *rapid.T) {
				if d := s.anyDevice(t); d.Lot != nil {
					s.try(floor.MeasureLot{Lot: d.Lot.ID, Remaining: rapid.Int64Range(0, 60_000_000).Draw(t, "left")})
				}
			},
			"job": func(t *rapid.T) {
				if len(s.floor.Jobs) == 0 {
					return
				}
				j := rapid.SampledFrom(s.floor.Jobs).Draw(t, "job")
				s.try(rapid.SampledFrom([]floor.Command{
					floor.HoldJob{Job: j.ID},
					floor.ReleaseJob{Job: j.ID},
					floor.CancelJob{Job: j.ID},
					floor.SpoilPieces{Job: j.ID, Panel: "p1", Pieces: 1},
					floor.OverrideWait{Job: j.ID, Step: "cut", Note: "dry"},
					floor.RemakePieces{Job: j.ID, Step: "print", Pieces: 1},
				}).Draw(t, "what"))
			},
			"": func(t *rapid.T) { s.compare(t) },
		})
	})
}

func (s *shop) loadLot(t *rapid.T) {
	if lots := s.floor.Lots(); len(lots) > 0 {
		s.try(floor.LoadMedia{Device: s.anyDevice(t).ID, Lot: rapid.SampledFrom(lots).Draw(t, "lot").ID})
	}
}

// submitMany hands in more jobs than one look takes in, some of them alike.
func (s *shop) submitMany(t *rapid.T) {
	j := anyJob(t, 0, s.now)
	for range 2 * lookahead {
		c := proto.CloneOf(j)
		c.Id = fmt.Sprintf("job-%d", len(s.floor.Jobs))
		c.Pieces = rapid.SampledFrom([]int32{j.GetPieces(), j.GetPieces(), 7, 70}).Draw(t, "pieces")
		c.Steps[0].LengthUm = rapid.SampledFrom([]int64{j.GetSteps()[0].GetLengthUm(), 0, 1_000_000, 30_000_000}).Draw(t, "length")
		c.Steps[0].Mode = rapid.SampledFrom([]string{"", "fast", "fine"}).Draw(t, "mode")
		s.try(floor.CreateJob{Job: c})
	}
}

// grantAsRead lets the dispatcher grant, and checks that it grants what reading everything does. It may leave something for
// later only if it says when it will look again.
func (s *shop) grantAsRead(t *rapid.T) {
	o := newOracle(s.floor, s.now)
	for _, st := range o.waits {
		least := s.dispatch.index.least(s.floor, st)
		for _, d := range o.fits(st) {
			if total := d.Estimate(st, s.now).Total(); total < least {
				t.Fatalf("%s/%s takes %v on %s, and is said to take %v at least anywhere", st.Job.ID, st.ID(), total, d.ID, least)
			}
		}
	}
	want, some := o.next()
	g, ok := s.dispatch.Next(s.floor, s.now)
	w := show(floor.Grant{Step: want.step, Device: want.device}, some)
	closing := ok && closes(g)
	if ok && !closing && show(g, ok) != w {
		t.Fatalf("granted %s, reading everything grants %s", show(g, ok), w)
	}
	if !ok && some && !s.dispatch.Wake().After(s.now) {
		t.Fatalf("granted nothing and looks again at %v; reading everything grants %s", s.dispatch.Wake(), w)
	}
	if ok {
		s.lawful(t, g)
		s.do(g)
	}
}

// lawful holds a grant to what it needs: somebody who is there and has nothing else to do, and a place to dry.
func (s *shop) lawful(t *rapid.T, g floor.Grant) {
	if g.Expected.Person {
		busy := 0
		for _, d := range s.floor.Devices {
			for _, r := range d.Live {
				began := r.Grant
				if r.Start.After(began) {
					began = r.Start
				}
				if r.Person && began.Add(r.Attended).After(s.now) {
					busy++
				}
			}
		}
		if there := s.floor.Calendar().Operators(s.now); busy >= there {
			t.Fatalf("%s needs somebody at %v: %d are there, %d are busy", show(g, true), s.now, there, busy)
		}
	}
	if newOracle(s.floor, s.now).full(g.Step, g.Device) {
		t.Fatalf("%s will find no place to dry", show(g, true))
	}
}

// compare holds the three against each other, and what is recorded as the reason against what was computed.
func (s *shop) compare(t *rapid.T) {
	want, some := newOracle(s.floor, s.now).next()
	s.dispatch.index.sync(s.floor, s.now)
	kept, keptOK := look(s.dispatch, s.floor, s.now)
	fresh := New(s.dispatch.rule)
	for _, j := range s.floor.Jobs {
		for _, st := range j.Steps {
			fresh.index.update(st, s.now)
		}
	}
	built, builtOK := look(fresh, s.floor, s.now)
	if keptOK && closes(kept) {
		return
	}
	if show(kept, keptOK) != show(built, builtOK) {
		t.Fatalf("the index kept up to date grants %s, one built afresh %s", show(kept, keptOK), show(built, builtOK))
	}
	if w := show(floor.Grant{Step: want.step, Device: want.device}, some); show(kept, keptOK) != w {
		t.Fatalf("the index grants %s, reading everything %s", show(kept, keptOK), w)
	}
	if keptOK && want.value != 0 && !math.IsInf(want.value, 1) && math.Abs(kept.Why.GetIndex()-math.Exp(want.value)) > 1e-6*math.Exp(want.value) {
		t.Fatalf("%s for an index of %v, reading everything gives %v", show(kept, true), kept.Why.GetIndex(), math.Exp(want.value))
	}
	if n := len(newOracle(s.floor, s.now).waits); s.dispatch.Waiting() != n {
		t.Fatalf("the index holds %d waiting steps, there are %d", s.dispatch.Waiting(), n)
	}
}

// look is Next without what it remembers of earlier looks.
func look(p *Dispatch, f *floor.Floor, now time.Time) (floor.Grant, bool) {
	p.again, p.idle = time.Time{}, false
	return p.look(f, now)
}

// closes says whether a step was chosen with the time after people have left in mind.
func closes(g floor.Grant) bool { return strings.Contains(g.Why.GetRule(), "without people") }

func show(g floor.Grant, ok bool) string {
	if !ok {
		return "nothing"
	}
	return g.Step.Job.ID + "/" + g.Step.ID() + " to " + g.Device.ID
}

// try does a command that may be refused.
func (s *shop) try(c floor.Command) {
	d, err := s.floor.Decide(s.now, floor.Meta{Actor: "test"}, c)
	if err != nil {
		return
	}
	for _, e := range d.Events {
		s.floor.Apply(s.floor.Revision+1, s.now, e)
	}
}

func (s *shop) anyDevice(t *rapid.T) *floor.Device {
	return rapid.SampledFrom(s.floor.Devices).Draw(t, "device")
}

func (s *shop) anyLive(t *rapid.T) *floor.Run {
	if d := s.anyDevice(t); len(d.Live) > 0 {
		return d.Live[0]
	}
	return nil
}

func (s *shop) report(t *rapid.T, state tandemv1.JobState) {
	r := s.anyLive(t)
	if r == nil {
		return
	}
	st := idleStatus()
	for _, live := range r.Device.Live {
		rs := &driverv1.RunStatus{Run: live.ID, Fence: live.Fence, State: live.State, StateReasons: live.Reasons, PiecesGood: live.Good}
		if live == r {
			rs.State, rs.PiecesGood = state, r.Pieces/2
			if state == tandemv1.JobState_JOB_STATE_COMPLETED {
				rs.PiecesGood = r.Pieces
			}
		}
		st.Runs = append(st.Runs, rs)
	}
	s.try(floor.Report{Device: r.Device.ID, Status: st})
}
