package floorview

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/clients/celltext"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// Floor is a floor with its cross references: the facts that Render draws, for those who draw them in another way. Its
// texts may hold foreign text as it came.
type Floor struct{ v *view }

// New relates devices and jobs to one another. Of the options only the time and the zone count.
func New(jobs []*tandemv1.Job, devices []*tandemv1.Device, o Options) *Floor {
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	return &Floor{newView(jobs, devices, o)}
}

// Need is something that waits for a person.
type Need struct {
	// Grave: work stands still, or may be lost.
	Grave bool
	// Text says what to do.
	Text string
	// More says for which work, or why. May be empty.
	More string
	// Device, Job, Step and Run it is about, as far as there is one.
	Device, Job, Step, Run string
}

// Needs lists what waits for a person, in the order of the devices, then of the jobs.
func (f *Floor) Needs() []Need { return f.v.needed() }

// Condition is the one word that says most about a device, and how good that is.
func Condition(d *tandemv1.Device) (string, celltext.Style) { return condition(d) }

// Remark says what is out of the ordinary about a device, apart from its runs; empty if nothing is.
func (f *Floor) Remark(d *tandemv1.Device) string { return f.v.remark(d) }

// Progress is how far a run on a device is.
type Progress struct {
	// Words say it.
	Words celltext.Line
	// Runs says that it is under way, and Share is what is done of it, 0 to 1.
	Runs  bool
	Share float64
}

// Progress says how far a run on a device is.
func (f *Floor) Progress(r *tandemv1.DeviceRun) Progress {
	l, runs := f.v.progressOf(r)
	return Progress{Words: l.text(), Runs: runs, Share: share(r)}
}

// End is when the live runs of a step are expected to end, the latest of them.
func (f *Floor) End(job, step string) (time.Time, bool) {
	end, known := f.v.ends[stepKey{job, step}]
	return end, known
}

// At returns the device and the run that a step has now; nil if it has none.
func (f *Floor) At(job, step string) (*tandemv1.Device, *tandemv1.DeviceRun) {
	key := stepKey{job, step}
	return f.v.at[key], f.v.runs[key]
}

// Step says how far a step is, in a few words and how good that is. next: everything before it is done or under way, so
// that its waiting is worth a word.
func (f *Floor) Step(j *tandemv1.Job, s *tandemv1.Step, next bool) celltext.Line {
	l := f.v.step(j, s, next)
	return l[1:].text() // the first is its name
}

// Due tells the promise and whether it is broken or in danger, by what is certain.
func (f *Floor) Due(j *tandemv1.Job) celltext.Line { return f.v.due(j).text() }

// Clock shows times as they are seen on this floor.
func (f *Floor) Clock() wording.Clock { return f.v.Clock }

// AtTime shows a time as it is seen on this floor.
func (f *Floor) AtTime(t time.Time) string { return f.v.At(timestamppb.New(t)) }

// Levels groups steps by the longest way that leads to them: none waits for another of its own level. References to
// steps that are not there, or in a circle, are passed over.
func Levels(steps []*tandemv1.Step) [][]*tandemv1.Step { return levels(steps) }

// Has reports whether a reason is among the keywords, with or without its severity (RFC 8011 section 5.4.12).
func Has(reasons []string, keyword string) bool { return has(reasons, keyword) }
