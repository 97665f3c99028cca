package floor

import (
	"errors"
	"fmt"

	tandemv1 "tandem/proto/tandem/v1"
)

// Check verifies the invariants of the whole state. It is for tests, simulation and the start of the daemon: it reads
// everything.
func (f *Floor) Check() error {
	var errs []error
	bad := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	live := 0
	for _, d := range f.Devices {
		if len(d.Live) > max(d.Capacity, 1) && !d.Retired {
			// A floor file may lower a capacity under what runs; nothing new is granted until it fits.
			if ok, _ := d.Available(); ok {
				bad("device %s has %d runs, its capacity is %d, and it takes more", d.ID, len(d.Live), d.Capacity)
			}
		}
		for _, r := range d.Live {
			live++
			if r.Device != d || r.Step.Live != r {
				bad("device %s holds run %s, which step %s does not", d.ID, r.ID, r.Step.ID())
			}
			if ended(r.State) || !r.End.IsZero() {
				bad("device %s holds run %s, which has ended", d.ID, r.ID)
			}
		}
	}
	fences := map[uint64]string{}
	for _, j := range f.Jobs {
		open := 0
		for _, s := range j.Steps {
			if s.Open() {
				open++
			}
			if s.Live != nil {
				live--
			}
			errs = append(errs, s.check(f.LastFence())...)
			for _, r := range s.Runs {
				if other, taken := fences[r.Fence]; taken {
					bad("runs %s and %s have the same fence %d", other, r.ID, r.Fence)
				}
				fences[r.Fence] = r.ID
			}
		}
		if open != j.open || (open == 0) != !j.End.IsZero() {
			bad("job %s counts %d open steps and has %d; it ended at %v", j.ID, j.open, open, j.End)
		}
		errs = append(errs, j.checkGang()...)
		for _, p := range j.Panels {
			if p.Good < 0 || p.Spoiled < 0 || p.Good+p.Spoiled != p.Pieces {
				bad("panel %s of %s has %d good and %d spoiled of %d pieces", p.ID, j.ID, p.Good, p.Spoiled, p.Pieces)
			}
		}
	}
	errs = append(errs, f.checkLots()...)
	if live != 0 {
		bad("devices and steps do not agree on the live runs: the difference is %d", live)
	}
	return errors.Join(errs...)
}

func (s *Step) check(lastFence uint64) []error {
	var errs []error
	bad := func(format string, args ...any) {
		errs = append(errs, fmt.Errorf("step %s of %s: "+format, append([]any{s.ID(), s.Job.ID}, args...)...))
	}
	waiting := 0
	for _, b := range s.Before {
		if b.Ended != tandemv1.JobState_JOB_STATE_COMPLETED {
			waiting++
		}
	}
	if waiting != s.Waiting {
		bad("counts %d steps before it that are not completed; there are %d", s.Waiting, waiting)
	}
	if s.Live != nil && (!s.Open() || waiting > 0) {
		bad("has the live run %s while ended or waiting", s.Live.ID)
	}
	fence, number := uint64(0), int32(0)
	for _, r := range s.Runs {
		if r.Fence <= fence || r.Number != number+1 || r.Fence > lastFence {
			bad("run %s has fence %d and number %d after %d and %d; the last fence given is %d", r.ID, r.Fence, r.Number, fence, number, lastFence)
		}
		fence, number = r.Fence, r.Number
		if r != s.Live && !ended(r.State) {
			bad("run %s is %s and not live", r.ID, Keyword(r.State))
		}
		if r.Good < 0 || r.Spoiled < 0 || r.Good+r.Spoiled > r.Pieces {
			bad("run %s has %d good and %d spoiled of %d pieces", r.ID, r.Good, r.Spoiled, r.Pieces)
		}
		if r.State == tandemv1.JobState_JOB_STATE_PROCESSING && r.Start.IsZero() {
			bad("run %s is processing and has not begun", r.ID)
		}
	}
	if s.Good < 0 || s.Spoiled < 0 {
		bad("has %d good and %d spoiled pieces", s.Good, s.Spoiled)
	}
	if s.Drying() && s.Ended == tandemv1.JobState_JOB_STATE_COMPLETED && s.End.Before(s.DryUntil()) && !s.resolvedEnd() && !s.emptied() {
		bad("ended at %v, before it was dry at %v", s.End, s.DryUntil())
	}
	return errs
}

// resolvedEnd says whether the step ended on a person's word.
func (s *Step) resolvedEnd() bool {
	if s.Carrier != nil {
		return s.Carrier.resolvedEnd()
	}
	n := len(s.Runs)
	return n > 0 && len(s.Runs[n-1].Reasons) > 0 && s.Runs[n-1].Reasons[0] == ReasonResolved
}
