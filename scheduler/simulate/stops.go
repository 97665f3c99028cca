package simulate

import (
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// Stop is a time at which a run stands still: a fault, and what it takes to put it right.
type Stop struct {
	After time.Duration // of work since the run began, or since the stop before
	For   time.Duration
}

// reasonFault is what a device that stands still says of itself.
const reasonFault = "other-error"

func (s *simulation) stops(r *floor.Run, work time.Duration) []Stop {
	if s.opt.Stops == nil || r.Device.Manual() || r.Step.Drying() {
		return nil
	}
	return s.opt.Stops(r, work)
}

// work lets a run go on for so long, with its stops, and then end.
func (s *simulation) work(r *floor.Run, left time.Duration, stops []Stop, ended func() error) {
	if len(stops) == 0 || stops[0].After >= left {
		s.at(s.now.Add(left), ended)
		return
	}
	stop := stops[0]
	s.at(s.now.Add(stop.After), func() error {
		s.halted[r.Device]++
		if err := s.report(r, tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED); err != nil {
			return err
		}
		s.at(s.now.Add(stop.For), func() error {
			if err := s.goOn(r); err != nil {
				return err
			}
			s.work(r, left-stop.After, stops[1:], ended)
			return nil
		})
		return nil
	})
}

// goOn lets a run that stood still go on.
func (s *simulation) goOn(r *floor.Run) error {
	if s.halted[r.Device]--; s.halted[r.Device] <= 0 {
		delete(s.halted, r.Device)
	}
	return s.report(r, tandemv1.JobState_JOB_STATE_PROCESSING)
}

// reaction returns how long it takes until a free person is at the device.
func (s *simulation) reaction(r *floor.Run) time.Duration {
	if s.opt.React != nil {
		return s.opt.React(r)
	}
	return s.opt.Reaction
}
