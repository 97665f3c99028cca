package api

import (
	"slices"
	"strings"
	"time"

	"tandem/daemon/engine"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// waitingWork returns what waits for a person now: devices first, then steps in the order of intake.
func waitingWork(st engine.State, devices []string) []*tandemv1.WaitingWork {
	var out []*tandemv1.WaitingWork
	asked := func(d string) bool { return len(devices) == 0 || slices.Contains(devices, d) }
	for _, d := range st.Floor.Devices {
		if what := deviceNeeds(d); what != "" && asked(d.ID) {
			out = append(out, &tandemv1.WaitingWork{Device: d.ID, What: what})
		}
	}
	for _, j := range st.Floor.Jobs {
		if !j.End.IsZero() {
			continue
		}
		if j.Held && len(devices) == 0 {
			what := "waits to be released"
			if j.HoldNote != "" {
				what += ": " + j.HoldNote
			}
			out = append(out, &tandemv1.WaitingWork{Job: j.ID, What: what})
		}
		for _, s := range j.Steps {
			w := waitsForPerson(s, st.Now)
			if w == nil || !asked(w.GetDevice()) {
				continue
			}
			w.What = s.Explain(st.Now, nil).GetSummary()
			out = append(out, w)
		}
	}
	return out
}

// deviceNeeds says what a device needs somebody for; empty: nothing.
func deviceNeeds(d *floor.Device) string {
	reasons := func(what string) string {
		if len(d.Reasons) > 0 {
			what += ": " + strings.Join(d.Reasons, ", ")
		}
		return what
	}
	note := func(what string) string {
		if d.Note != "" {
			what += ": " + d.Note
		}
		return what
	}
	switch {
	case d.Retired:
		return ""
	case d.Link == tandemv1.Link_LINK_OFFLINE:
		return "does not answer"
	case d.LockedBy != "":
		return note("is locked for maintenance by " + d.LockedBy)
	case d.State == tandemv1.DeviceState_DEVICE_STATE_STOPPED:
		return reasons("stands still")
	case d.Paused:
		return note("is paused")
	}
	return ""
}

// waitsForPerson says whether a step waits for somebody: to begin it, or to say what became of it.
func waitsForPerson(s *floor.Step, now time.Time) *tandemv1.WaitingWork {
	if !s.Open() {
		return nil
	}
	w := &tandemv1.WaitingWork{Job: s.Job.ID, Step: s.ID()}
	if s.Carrier != nil { // the gang run's step waits for both, unless it is over and has lost this one's pieces
		if _, why := s.State(now); !slices.Contains(why, floor.ReasonNoPieces) {
			return nil
		}
		return w
	}
	switch r := s.Live; {
	case r != nil && r.Unknown():
		w.Device, w.SinceTime = r.Device.ID, stampOf(r.StillSince())
	case r != nil && r.State == tandemv1.JobState_JOB_STATE_PENDING && !r.MayStart && !s.Drying():
		w.Device, w.SinceTime = r.Device.ID, stampOf(r.Grant)
	case r != nil:
		return nil
	case s.Blocked != "":
		last := s.Runs[len(s.Runs)-1]
		w.Device, w.SinceTime = last.Device.ID, stampOf(last.End)
	case s.Review:
	case s.Waiting == 0 && s.Left() == 0:
	default:
		return nil
	}
	return w
}

// dryPanels returns the panels that have become dry since a time and wait for what comes next, and those that still dry.
func dryPanels(st engine.State, since time.Time, devices []string) []*tandemv1.DryPanel {
	var out []*tandemv1.DryPanel
	for _, j := range st.Floor.Jobs {
		if !j.End.IsZero() {
			continue
		}
		for _, s := range j.Steps {
			if !s.Drying() || s.Carrier != nil || s.Waiting > 0 {
				continue
			}
			dry := st.Now.After(s.DryUntil()) || !s.Open()
			at := s.DryUntil()
			if !s.Open() {
				at = s.End
			}
			next := nextOperations(s)
			if s.Ended != tandemv1.JobState_JOB_STATE_UNSPECIFIED && s.Ended != tandemv1.JobState_JOB_STATE_COMPLETED || dry && (at.Before(since) || len(next) == 0) {
				continue
			}
			for _, p := range s.Panels {
				if len(devices) > 0 && !slices.Contains(devices, p.Place) {
					continue
				}
				out = append(out, &tandemv1.DryPanel{PanelCode: p.Code, Job: j.ID, Place: p.Place, DryTime: stampOf(at), Dry: dry, Next: next})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b *tandemv1.DryPanel) int { return a.GetDryTime().AsTime().Compare(b.GetDryTime().AsTime()) })
	return out
}

// nextOperations returns what comes after a step and has not begun.
func nextOperations(s *floor.Step) []string {
	var out []string
	for _, n := range s.Next {
		if n.Open() && n.Start.IsZero() && !slices.Contains(out, n.Operation()) {
			out = append(out, n.Operation())
		}
	}
	return out
}
