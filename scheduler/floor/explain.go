package floor

import (
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
)

// Explain says why a step waits, or why the device that has it was chosen.
func (s *Step) Explain(now time.Time, devices []*Device) *tandemv1.ExplainStepResponse {
	out := &tandemv1.ExplainStepResponse{Step: s.View(now)}
	out.ReadyTime = out.GetStep().GetReadyTime()
	switch n := len(s.Runs); {
	case s.Carrier != nil:
		by := s.Carrier.Explain(now, devices)
		out.Rule, out.Candidates = by.GetRule(), by.GetCandidates()
	case n > 0 && (s.Live != nil || !s.Open()):
		why := s.Runs[n-1].Why
		out.Rule, out.Candidates = why.GetRule(), why.GetCandidates()
	default:
		out.Candidates = s.candidates(now, devices)
	}
	out.Summary = s.summary(now)
	for _, r := range s.Runs {
		if r.Override != "" {
			out.Summary += fmt.Sprintf("; %s was let begin on %s with what is on it by %s", r.ID, r.Device.ID, r.Override)
		}
	}
	return out
}

// candidates tells of every device that has the operation what it would take, or what stands in the way.
func (s *Step) candidates(now time.Time, devices []*Device) []*tandemv1.Candidate {
	var out []*tandemv1.Candidate
	for _, d := range devices {
		if d.Ability(s.Operation()) == nil {
			continue
		}
		c := &tandemv1.Candidate{Device: d.ID}
		fits, why := d.Fits(s.Spec)
		switch {
		case !fits:
			c.Reason = why
		default:
			c.Eligible = true
			e := d.Estimate(s, now)
			c.Changeover, c.Work = durationpb.New(e.Changeover), durationpb.New(e.Setup+e.Work)
			if until := s.RefusedUntil(d.ID); now.Before(until) {
				c.Reason = "refused it, is asked again at " + s.Class.floor.clock(until)
			} else if ok, why := d.Available(); !ok {
				c.Reason = why
			} else if c.Reason = d.Lacks(s); s.waitsForDevice(now) {
				if h, bad := s.Class.floor.Hindered(s, d, now); bad {
					c.Reason = h.String()
				}
			}
		}
		out = append(out, c)
	}
	return out
}

func (s *Step) summary(now time.Time) string {
	at := s.Class.floor.clock
	switch state, reasons := s.State(now); {
	case !s.Open():
		return fmt.Sprintf("%s is %s since %s", s.ID(), Keyword(state), at(s.End))
	case s.Live != nil && s.Live.Unknown():
		return fmt.Sprintf("%s was lost with %s: nobody knows how far it got; look at the device and resolve %s", s.ID(), s.Live.Device.ID, s.Live.ID)
	case s.Live != nil && s.Live.misregistered() != nil:
		return s.Live.misregistration()
	case s.Live != nil && s.Live.State == tandemv1.JobState_JOB_STATE_PENDING && s.Live.mediaMismatch():
		return fmt.Sprintf("%s is with %s and waits for %s to be loaded there%s", s.ID(), s.Live.Device.ID, s.Supply(), s.Live.Device.offer(s, s.Live.Pieces))
	case s.Live != nil && s.Live.State == tandemv1.JobState_JOB_STATE_PENDING && s.Live.lotTooShort():
		_, why := s.Live.Device.lacks(s, s.Live.Pieces)
		return fmt.Sprintf("%s is with %s and waits for a longer roll: %s", s.ID(), s.Live.Device.ID, why)
	case s.Live != nil && s.Live.State == tandemv1.JobState_JOB_STATE_PENDING && !s.Live.MayStart && s.Live.bladeMismatch():
		return fmt.Sprintf("%s is with %s and waits for a person to put in blade %s and start it there", s.ID(), s.Live.Device.ID, s.Spec.GetBlade())
	case s.Live != nil && s.Live.State == tandemv1.JobState_JOB_STATE_PENDING && !s.Live.MayStart:
		return fmt.Sprintf("%s is with %s and waits for a person to start it there", s.ID(), s.Live.Device.ID)
	case s.Live != nil && s.Drying():
		return fmt.Sprintf("%s is drying in %s until %s", s.ID(), s.Live.Device.ID, at(s.DryUntil()))
	case s.Live != nil:
		return fmt.Sprintf("%s is %s on %s (%s)", s.ID(), Keyword(state), s.Live.Device.ID, strings.Join(reasons, ", "))
	case s.Blocked == ReasonRegistrationFailed && s.Runs[len(s.Runs)-1].misregistered() != nil:
		return s.Runs[len(s.Runs)-1].misregistration()
	case s.Blocked != "":
		return fmt.Sprintf("%s ended early on its device (%s): a person must resolve %s", s.ID(), s.Blocked, s.Runs[len(s.Runs)-1].ID)
	case s.inGang():
		return fmt.Sprintf("%s %s; there, %s", s.ID(), s.GangNote(), s.Carrier.summary(now))
	case s.lost() && s.Waiting == 0:
		return s.ID() + " " + s.GangNote()
	case s.Review:
		return s.reviewSummary()
	case s.Job.Held:
		return fmt.Sprintf("%s waits for its job to be released: %s", s.ID(), orDash(s.Job.HoldNote))
	case s.Job.OnHold():
		h := s.Job.holder()
		return fmt.Sprintf("%s waits for %s, which shares its panels, to be released: %s", s.ID(), h.ID, orDash(h.HoldNote))
	case s.Waiting > 0:
		var names []string
		for _, b := range s.Before {
			if b.Ended != tandemv1.JobState_JOB_STATE_COMPLETED {
				names = append(names, b.ID())
			}
		}
		return fmt.Sprintf("%s waits for %s", s.ID(), strings.Join(names, ", "))
	case s.onSharedPanel() != nil:
		return s.ID() + " " + s.GangNote()
	case now.Before(s.Ready()):
		return fmt.Sprintf("%s waits until %s", s.ID(), at(s.Ready()))
	case s.Left() == 0:
		return s.ID() + " has no good pieces left to work on: make them again or cancel the job"
	case len(s.Class.Fits) == 0:
		return s.ID() + " fits no device of this floor"
	}
	if h, ok := s.hindered(now); ok {
		return s.ID() + " waits: " + h.String()
	}
	if d, back := s.firstBack(now); d != nil {
		return fmt.Sprintf("%s waits for %s, which is expected back at %s", s.ID(), d.ID, s.Class.floor.clock(back))
	}
	return s.ID() + " waits for a device to have time for it"
}

// waitsForDevice says whether nothing but a device's and people's time is missing.
func (s *Step) waitsForDevice(now time.Time) bool {
	return s.Grantable() && !now.Before(s.Ready()) && len(s.Class.Fits) > 0
}

// firstBack returns the device that is out and expected back first, if no device that is not out could do the step.
func (s *Step) firstBack(now time.Time) (first *Device, back time.Time) {
	for _, d := range s.Class.Fits {
		switch {
		case !d.Expected():
		case !d.out():
			return nil, time.Time{}
		case first == nil || d.FreeFrom(now).Before(back):
			first, back = d, d.FreeFrom(now)
		}
	}
	return first, back
}

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}
