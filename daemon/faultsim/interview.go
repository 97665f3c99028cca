package faultsim

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// answer is what a floor says to a question, whose text is dear and seldom needed.
type answer struct {
	question func() string
	says     string
}

// interviewer asks a floor what it would decide and order, which changes nothing.
type interviewer struct {
	f   *floor.Floor
	now time.Time
	out []answer
}

// interview asks a floor all that a driver, a person and the dispatcher might. Two floors that have seen the same records give the
// same answers, whatever of it they have from a snapshot: this does not depend on what a snapshot holds.
func interview(f *floor.Floor, now time.Time) []answer {
	v := &interviewer{f: f, now: now}
	until, deviates := f.Deviation(now)
	v.note(fmt.Sprint(f.Calendar().Operators(now), until, deviates), "who is there")
	for _, d := range f.Devices {
		v.device(d)
	}
	for _, j := range f.Jobs {
		v.decide(floor.CancelJob{Job: j.ID})
		v.decide(floor.HoldJob{Job: j.ID})
		v.decide(floor.ReleaseJob{Job: j.ID})
		for _, s := range j.Steps {
			v.step(s)
		}
	}
	return v.out
}

func (v *interviewer) note(says, format string, args ...any) {
	v.out = append(v.out, answer{func() string { return fmt.Sprintf(format, args...) }, says})
}

// decide asks what a command would cause if somebody who is no supervisor gave it.
func (v *interviewer) decide(c floor.Command) {
	d, err := v.f.Decide(v.now, floor.Meta{Actor: "timo"}, c)
	v.note(said(d, err), "%T%+v", c, c)
}

func said(d floor.Decision, err error) string {
	if err != nil {
		return err.Error()
	}
	return d.Subject + "\n" + wire(d.Events)
}

// wire is messages in the one form that is the same for the same content.
func wire[M proto.Message](list []M) string {
	var out []byte
	for _, m := range list {
		var err error
		if out, err = (proto.MarshalOptions{Deterministic: true}).MarshalAppend(append(out, '\n'), m); err != nil {
			return err.Error()
		}
	}
	return string(out)
}

func (v *interviewer) device(d *floor.Device) {
	status := func(epoch uint64, runs ...*driverv1.RunStatus) *driverv1.Status {
		return &driverv1.Status{
			Epoch: epoch, State: d.State, StateReasons: d.Reasons, Phase: d.Phase, Link: tandemv1.Link_LINK_ONLINE, Runs: runs,
		}
	}
	listed := func(state tandemv1.JobState, reasons ...string) (runs []*driverv1.RunStatus) {
		for _, j := range v.f.Jobs {
			for _, s := range j.Steps {
				for _, r := range s.Runs {
					runs = append(runs, &driverv1.RunStatus{Run: r.ID, Fence: r.Fence, State: state, StateReasons: reasons})
				}
			}
		}
		return runs
	}
	for _, s := range []*driverv1.Status{
		status(d.Epoch), status(d.Epoch + 1), status(d.Epoch, listed(tandemv1.JobState_JOB_STATE_PROCESSING)...),
		status(d.Epoch, listed(tandemv1.JobState_JOB_STATE_COMPLETED)...),
		status(d.Epoch, listed(tandemv1.JobState_JOB_STATE_PENDING, floor.ReasonAwaitingStart)...),
	} {
		v.decide(floor.Greet{Device: d.ID, Status: s})
		v.decide(floor.Report{Device: d.ID, Status: s})
		v.note(wire(v.f.Orders(d, s, v.now)), "orders for %s, which tells %v", d.ID, s)
	}
	last := ""
	if d.LastRun != nil {
		last = d.LastRun.ID
	}
	for _, r := range v.f.Disputed(d) {
		last += " " + r.ID
	}
	v.note(last, "what is loaded on %s, and what it says to have done", d.ID)
	v.decide(floor.LoseDevice{Device: d.ID})
	v.decide(floor.PauseDevice{Device: d.ID})
	v.decide(floor.LockDevice{Device: d.ID})
	v.decide(floor.UnlockDevice{Device: d.ID})
}

func (v *interviewer) step(s *floor.Step) {
	name := s.Job.ID + "/" + s.ID()
	v.note(fmt.Sprint(s.Ready().UnixNano(), s.DryUntil().UnixNano(), s.Left()), "times of %s", name)
	for _, d := range v.f.Devices {
		if fits, _ := d.Fits(s.Spec); !fits {
			continue
		}
		v.note(fmt.Sprint(s.RefusedUntil(d.ID).UnixNano()), "%s asked for %s again", d.ID, name)
		granted, err := v.f.Decide(v.now, floor.Meta{Actor: "timo"}, floor.Grant{Step: s, Device: d, Expected: d.Estimate(s, v.now)})
		v.note(said(granted, err), "a grant of %s to %s", name, d.ID)
	}
	for _, r := range s.Runs {
		v.decide(floor.StartRun{Run: r.ID})
		v.decide(floor.FinishRun{Run: r.ID})
		v.decide(floor.RefuseRun{Run: r.ID})
		v.decide(floor.StopRefused{Run: r.ID})
		v.decide(floor.ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_AGAIN})
		early, err := v.f.Decide(r.StartBefore, floor.Meta{Actor: "timo"}, floor.ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_AGAIN})
		v.note(said(early, err), "what became of %s, as long as its start is good", r.ID)
	}
}
