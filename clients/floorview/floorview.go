// Package floorview draws a floor as text for a terminal: what needs a person, what each device does, how far each job
// is.
//
// It is a pure function of its arguments: no clock, no terminal, no connection. It uses ASCII for its own marks, so
// that any console shows them, never writes past the given width, never relies on colour alone, and makes foreign text
// harmless.
package floorview

import (
	"fmt"
	"strings"
	"time"

	"tandem/clients/celltext"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// Options say how to draw.
type Options struct {
	// Now is the floor's clock.
	Now time.Time
	// Zone is where the reader is. Nil: UTC.
	Zone *time.Location
	// Width is the number of cells in a line; less than 1 means 80.
	Width int
	// Height is the number of lines; what does not fit is counted in the last one. Less than 1: no limit.
	Height int
	// Colour adds colour to words that carry the meaning already.
	Colour bool
}

// Render draws the floor, one line below the other, each ended by a line feed. Devices and jobs keep their order, but
// jobs that have ended come last.
func Render(jobs []*tandemv1.Job, devices []*tandemv1.Device, o Options) string {
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	if o.Width < 1 {
		o.Width = 80
	}
	v := newView(jobs, devices, o)
	lines := []line{v.head()}
	lines = append(lines, v.needs()...)
	lines = append(lines, v.deviceLines()...)
	lines = append(lines, v.jobLines()...)

	if o.Height > 0 && len(lines) > o.Height {
		hidden := len(lines) - o.Height + 1
		lines = append(lines[:o.Height-1], line{{faint, "... " + wording.Count(hidden, "more line")}})
	}
	var b strings.Builder
	for _, l := range lines {
		l.write(&b, o.Width, o.Colour)
	}
	return b.String()
}

// view is a floor with its cross references, while it is drawn.
type view struct {
	wording.Clock
	jobs    []*tandemv1.Job
	devices []*tandemv1.Device
	width   int
	// narrow: details go below their heading instead of beside it.
	narrow bool
	steps  map[stepKey]*tandemv1.Step
	// ends holds when the runs of a step are expected to end, the latest of them.
	ends map[stepKey]time.Time
	// at holds the device that has a run of a step which has not ended.
	at map[stepKey]*tandemv1.Device
	// runs holds that run as the device shows it.
	runs map[stepKey]*tandemv1.DeviceRun
}

type stepKey struct{ job, step string }

func newView(jobs []*tandemv1.Job, devices []*tandemv1.Device, o Options) *view {
	v := &view{
		Clock:   wording.Clock{Now: o.Now, Zone: o.Zone},
		jobs:    jobs,
		devices: devices,
		width:   o.Width,
		narrow:  o.Width < 56,
		steps:   map[stepKey]*tandemv1.Step{},
		ends:    map[stepKey]time.Time{},
		at:      map[stepKey]*tandemv1.Device{},
		runs:    map[stepKey]*tandemv1.DeviceRun{},
	}
	for _, job := range jobs {
		for _, step := range job.GetSteps() {
			v.steps[stepKey{job.GetId(), step.GetId()}] = step
			if end, ok := expectedEnd(step); ok {
				v.ends[stepKey{job.GetId(), step.GetId()}] = end
			}
		}
	}
	for _, device := range devices {
		for _, run := range device.GetRuns() {
			key := stepKey{run.GetJob(), run.GetStep()}
			v.at[key], v.runs[key] = device, run
			// The driver's own forecast is live, the job's is the one made at the grant.
			if run.GetExpectedEndTime() != nil {
				v.ends[key] = run.GetExpectedEndTime().AsTime()
			}
		}
	}
	return v
}

// expectedEnd works out when a step that runs should end, from what was expected at its start.
func expectedEnd(step *tandemv1.Step) (time.Time, bool) {
	if step.GetState() != tandemv1.JobState_JOB_STATE_PROCESSING {
		return time.Time{}, false
	}
	if step.GetOperation() == dry && step.GetReadyTime() != nil {
		return step.GetReadyTime().AsTime(), true
	}
	var end time.Time
	for _, run := range step.GetRuns() {
		if run.GetStartTime() != nil && run.GetEndTime() == nil && run.GetExpectedDuration() != nil {
			if e := run.GetStartTime().AsTime().Add(run.GetExpectedDuration().AsDuration()); e.After(end) {
				end = e
			}
		}
	}
	if end.IsZero() && step.GetStartTime() != nil && step.GetDuration() != nil {
		end = step.GetStartTime().AsTime().Add(step.GetDuration().AsDuration())
	}
	return end, !end.IsZero()
}

// head is the first line: the time and the counts.
func (v *view) head() line {
	var working, stuck, silent, open, late int
	for _, d := range v.devices {
		switch {
		case d.GetLink() != tandemv1.Link_LINK_ONLINE:
			silent++
		case d.GetState() == tandemv1.DeviceState_DEVICE_STATE_PROCESSING:
			working++
		case d.GetState() == tandemv1.DeviceState_DEVICE_STATE_STOPPED:
			stuck++
		}
	}
	for _, j := range v.jobs {
		if !wording.Ended(j.GetState()) {
			open++
			if v.Past(j.GetDueTime()) {
				late++
			}
		}
	}
	l := line{{strong, v.Now.In(v.Zone).Format("Mon 15:04")}, {plain, "  " + wording.Count(len(v.devices), "device")}}
	for _, part := range []struct {
		n     int
		word  string
		style style
	}{{working, "processing", busy}, {stuck, "stopped", bad}, {silent, "silent", warn}} {
		if part.n > 0 {
			l = append(l, span{plain, ", "}, span{part.style, fmt.Sprintf("%d %s", part.n, part.word)})
		}
	}
	l = append(l, span{plain, "  " + wording.Count(open, "open job")})
	if late > 0 {
		l = append(l, span{plain, ", "}, span{bad, fmt.Sprintf("%d late", late)})
	}
	return l
}

// title sets a section apart.
func title(s string) []line {
	return []line{{}, {{strong, s}}}
}

// widest returns the cells of the longest text, at most limit.
func widest(texts []string, limit int) int {
	w := 0
	for _, t := range texts {
		w = max(w, celltext.Width(t))
	}
	return min(w, limit)
}
