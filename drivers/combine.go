package drivers

import (
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	// ReasonOtherWork is why a device is processing by the word of a watcher while no run of ours is under way on it:
	// somebody works at it, or it has not come to rest yet.
	ReasonOtherWork = "x-other-work-report"
	// ReasonWatcherLost says that a watcher does not reach what it reads.
	ReasonWatcherLost = "x-watcher-lost-warning"
)

// combine adds to a status, which is what the driver says and the runs in hand, what the device's watchers see. The rules:
//
//   - Runs are the driver's alone. No watcher begins, stops or ends one, whatever it sees.
//   - Link is the driver's: whoever is to do the work must be reached.
//   - Of the watchers, the first in the floor file's order that is reached and knows the state counts. Of that state and the
//     driver's, the worse is shown: stopped before processing before idle. So a lamp that is green gives no work to a
//     device whose driver cannot take any, and an idle lamp does not deny a run that the driver has under way.
//   - Phase comes with the state.
//   - Reasons are the driver's, then those of the watcher whose state counts, then the warnings and reports of the others.
//     A watcher that is not reached adds [ReasonWatcherLost] and has no say; its silence is never idle or stopped.
//   - Supplies come from the first watcher that is reached and knows any.
//   - A device that works, by the word of a watcher, without a run of ours has [ReasonOtherWork].
func combine(s *driverv1.Status, sights []sight) {
	said := s.GetState()
	counts := slices.IndexFunc(sights, func(w sight) bool {
		return w.seen != nil && w.seen.State != tandemv1.DeviceState_DEVICE_STATE_UNSPECIFIED
	})
	if known := said != tandemv1.DeviceState_DEVICE_STATE_UNSPECIFIED; known && counts >= 0 {
		if seen := sights[counts].seen; seen.State > said { // the standard's numbers are in the order of badness
			s.State = seen.State
			if s.GetLink() == tandemv1.Link_LINK_ONLINE {
				s.Phase = seen.Phase
			}
		}
		if s.GetState() == tandemv1.DeviceState_DEVICE_STATE_PROCESSING && said == tandemv1.DeviceState_DEVICE_STATE_IDLE && !underWay(s.GetRuns()) {
			s.StateReasons = append(s.GetStateReasons(), ReasonOtherWork)
		}
	}
	for i, w := range sights {
		s.Watched = append(s.Watched, w.view())
		if w.lost {
			s.StateReasons = append(s.GetStateReasons(), ReasonWatcherLost)
		}
		if w.seen == nil {
			continue
		}
		if i == counts {
			s.StateReasons = append(s.GetStateReasons(), w.seen.Reasons...)
		} else {
			s.StateReasons = append(s.GetStateReasons(), harmless(w.seen.Reasons)...)
		}
		if len(s.GetSupplies()) == 0 {
			for _, supply := range w.seen.Supplies {
				s.Supplies = append(s.Supplies, proto.CloneOf(supply))
			}
		}
	}
	s.StateReasons = cleanReasons(s.GetStateReasons(), mostReasons)
}

// underWay says whether a run has begun and not ended.
func underWay(runs []*driverv1.RunStatus) bool {
	return slices.ContainsFunc(runs, func(r *driverv1.RunStatus) bool {
		return r.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING || r.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED
	})
}

// harmless returns the warnings and reports of reasons.
func harmless(reasons []string) []string {
	return slices.DeleteFunc(slices.Clone(reasons), func(r string) bool {
		return !strings.HasSuffix(r, "-warning") && !strings.HasSuffix(r, "-report")
	})
}

func (w sight) view() *tandemv1.Watched {
	out := &tandemv1.Watched{Kind: w.kind, Link: tandemv1.Link_LINK_NOT_YET_REPORTED}
	switch {
	case w.lost:
		out.Link = tandemv1.Link_LINK_OFFLINE
	case w.seen != nil:
		out.Link = tandemv1.Link_LINK_ONLINE
		out.State, out.StateReasons, out.Message = w.seen.State, slices.Clone(w.seen.Reasons), w.seen.Message
	}
	return out
}
