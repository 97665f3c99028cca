package drivers

import (
	"math"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	mostReasons    = 16 // of a device
	mostRunReasons = 4
	longestReason  = 63 // bytes
)

// report takes what the driver says in one of its calls. It keeps nothing of s.
func (d *desk) report(life int, s *driverv1.Status) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if life != d.life || s == nil {
		return
	}
	now := d.env.Clock.Now()
	d.observed = now
	device := &driverv1.Status{
		State: s.GetState(), StateReasons: cleanReasons(s.GetStateReasons(), mostReasons), Phase: s.GetPhase(), Link: s.GetLink(),
	}
	if device.GetLink() == tandemv1.Link_LINK_UNSPECIFIED {
		device.Link = tandemv1.Link_LINK_ONLINE
	}
	if !d.serving || !proto.Equal(device, d.device) {
		d.note(change)
	}
	d.device = device
	if !d.serving && d.lossTold {
		d.env.Log.Info("device is back")
		d.lossTold = false
	}
	if !d.spoken {
		signal(d.wake) // a hello waits for this
	}
	d.serving, d.spoken = true, true
	d.hear(s.GetRuns(), now)
}

// hear compares the runs that a driver lists with those in hand.
func (d *desk) hear(runs []*driverv1.RunStatus, now time.Time) {
	for _, r := range runs {
		h := d.find(r.GetRun())
		if h == nil {
			h = d.adopt(r)
		}
		if h == nil || r.GetFence() != 0 && r.GetFence() != h.fence {
			continue
		}
		h.listed, h.dropped = true, false
		d.note(h.hear(r, now))
	}
	for _, h := range d.hand {
		lost := h.listed || h.grant == nil // once listed, it stays so until its end
		if h.ended() || h.dropped || !lost || slices.ContainsFunc(runs, func(r *driverv1.RunStatus) bool { return r.GetRun() == h.run }) {
			continue
		}
		h.listed = false
		d.note(change)
		if h.mayHaveBegun() || h.grant == nil {
			h.dropped = true
			h.setUnknown()
			continue
		}
		d.errand(h, grant) // it waited, and has been lost on the way
	}
}

// adopt takes a run in hand of which the device itself tells, because it has outlived the driver that began it.
func (d *desk) adopt(r *driverv1.RunStatus) *held {
	switch f := d.gone.fate(r.GetRun()); {
	case f == settled:
		d.settle(r.GetRun(), r.GetFence())
		return nil
	case f == evicted, !ValidID(r.GetRun()), r.GetFence() == 0, r.GetState() == tandemv1.JobState_JOB_STATE_UNSPECIFIED:
		return nil
	}
	h := &held{run: r.GetRun(), fence: r.GetFence(), status: &driverv1.RunStatus{Run: r.GetRun(), Fence: r.GetFence()}}
	if !d.put(h) {
		d.env.Log.Error("the driver lists more runs than there is room for; left out", zap.String("run", r.GetRun()))
		return nil
	}
	d.seenFence = max(d.seenFence, h.fence)
	return h
}

// hear takes the driver's word on a run, and says how urgent it is. The first end is the only one, and what has begun
// does not go back to waiting: if a device says so it has forgotten the run, and nobody knows how far it got.
func (h *held) hear(r *driverv1.RunStatus, now time.Time) news {
	if h.ended() || r.GetState() == tandemv1.JobState_JOB_STATE_UNSPECIFIED {
		return nothing
	}
	before := h.status
	s := &driverv1.RunStatus{
		Run: h.run, Fence: h.fence, State: r.GetState(), StateReasons: cleanReasons(r.GetStateReasons(), mostRunReasons),
		PiecesGood: max(r.GetPiecesGood(), 0), PiecesSpoiled: max(r.GetPiecesSpoiled(), 0), Fraction: share(r.GetFraction()),
		StartTime: moment(r.GetStartTime()), EndTime: moment(r.GetEndTime()),
		MarkReadings: cleanReadings(r.GetMarkReadings(), before.GetMarkReadings()),
	}
	h.status = s
	switch s.GetState() {
	default: // an end
	case tandemv1.JobState_JOB_STATE_PENDING, tandemv1.JobState_JOB_STATE_PENDING_HELD:
		if h.begun {
			s.PiecesGood, s.PiecesSpoiled, s.Fraction = before.GetPiecesGood(), before.GetPiecesSpoiled(), before.GetFraction()
			s.StartTime = before.GetStartTime()
			h.setUnknown()
		} else if limit := h.grant.GetStartBefore(); limit != nil && now.After(limit.AsTime()) && slices.Contains(s.GetStateReasons(), ReasonAwaitingStart) {
			h.allowed = false // it has not begun while it might, and now it must not: the daemon takes the start for lapsed, too
		}
	case tandemv1.JobState_JOB_STATE_PROCESSING, tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, tandemv1.JobState_JOB_STATE_COMPLETED:
		h.begun = true
		if s.GetStartTime() == nil {
			if s.StartTime = before.GetStartTime(); s.GetStartTime() == nil {
				s.StartTime = timestamppb.New(now)
			}
		}
	}
	if Ended(s.GetState()) {
		if s.GetStartTime() == nil {
			s.StartTime = before.GetStartTime()
		}
		if s.GetEndTime() == nil {
			s.EndTime = timestamppb.New(now)
		}
		if s.GetStartTime() != nil && s.GetEndTime().AsTime().Before(s.GetStartTime().AsTime()) {
			s.EndTime = s.GetStartTime()
		}
		if s.GetState() == tandemv1.JobState_JOB_STATE_COMPLETED {
			s.Fraction = 1
		}
	}
	switch {
	case s.GetState() != before.GetState() || !slices.Equal(s.GetStateReasons(), before.GetStateReasons()),
		!sameReadings(s.GetMarkReadings(), before.GetMarkReadings()):
		return change
	case s.GetPiecesGood() != before.GetPiecesGood() || s.GetPiecesSpoiled() != before.GetPiecesSpoiled() ||
		s.GetFraction() != before.GetFraction():
		return progress
	}
	return nothing
}

func share(f float64) float64 {
	if math.IsNaN(f) {
		return 0
	}
	return min(max(f, 0), 1)
}

// moment drops times that cannot be written.
func moment(t *timestamppb.Timestamp) *timestamppb.Timestamp {
	if t == nil || t.CheckValid() != nil {
		return nil
	}
	return proto.CloneOf(t)
}

// cleanReasons makes keywords of what a device says (RFC 8011 section 5.1.4: lower-case letters, digits, hyphens), and
// leaves out "none" and repetitions.
func cleanReasons(in []string, most int) []string {
	var out []string
	for _, reason := range in {
		reason = strings.Trim(strings.Map(keywordLetter, reason), "-")
		reason = strings.TrimRight(reason[:min(len(reason), longestReason)], "-")
		if reason != "" && reason != "none" && !slices.Contains(out, reason) && len(out) < most {
			out = append(out, reason)
		}
	}
	return out
}

func keywordLetter(r rune) rune {
	switch {
	case 'a' <= r && r <= 'z' || '0' <= r && r <= '9':
		return r
	case 'A' <= r && r <= 'Z':
		return r + 'a' - 'A'
	}
	return '-'
}
