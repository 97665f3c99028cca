package simulate

import (
	"time"

	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// Result is what a simulation found.
type Result struct {
	Start   time.Time
	End     time.Time // of the last run
	Jobs    []JobResult
	Devices []DeviceResult
	Pieces  int32 // good ones of completed jobs
	// OperatorBusy is the sum of the time people were with runs, their way to the device included, and took work off devices.
	OperatorBusy time.Duration
}

// JobResult is the way of one job.
type JobResult struct {
	ID        string
	Completed bool
	State     tandemv1.JobState
	Reasons   []string
	Create    time.Time
	End       time.Time
	Legs      []Leg
}

// Leg is one run of a job.
type Leg struct {
	Step, Device string
	Start, End   time.Time
}

// DeviceResult is what one device did.
type DeviceResult struct {
	ID   string
	Runs int
	Busy time.Duration // sum of its runs, from start to end; runs side by side count each
}

// Makespan returns the time from the opening of the floor to the end of the last run.
func (r *Result) Makespan() time.Duration { return r.End.Sub(r.Start) }

// collect reads the result so far off a floor.
func collect(f *floor.Floor, start, now time.Time) *Result {
	out := &Result{Start: start, End: start}
	place := map[string]int{}
	for i, d := range f.Devices {
		place[d.ID] = i
		out.Devices = append(out.Devices, DeviceResult{ID: d.ID})
	}
	for _, j := range f.Jobs {
		jr := JobResult{ID: j.ID, Create: j.Create, End: j.End}
		jr.State, jr.Reasons = j.State(now)
		jr.Completed = jr.State == tandemv1.JobState_JOB_STATE_COMPLETED
		for _, st := range j.Steps {
			for _, r := range st.Runs {
				if r.Start.IsZero() || r.End.IsZero() {
					continue
				}
				jr.Legs = append(jr.Legs, Leg{Step: st.ID(), Device: r.Device.ID, Start: r.Start, End: r.End})
				if i, ok := place[r.Device.ID]; ok {
					out.Devices[i].Runs++
					out.Devices[i].Busy += r.End.Sub(r.Start)
				}
				if r.End.After(out.End) {
					out.End = r.End
				}
			}
		}
		if jr.Completed && !j.IsGang() { // its pieces are its members'
			for _, p := range j.Panels {
				out.Pieces += p.Good
			}
		}
		out.Jobs = append(out.Jobs, jr)
	}
	return out
}

// CombinedOnly returns the floor file with print and cut left only to devices that can do both: the other way of working.
// It returns nil if the floor has no such device.
func CombinedOnly(file *tandemv1.FloorFile) *tandemv1.FloorFile {
	out := proto.CloneOf(file)
	found := false
	for _, d := range out.GetDevices() {
		can := map[string]bool{}
		for _, a := range d.GetAbilities() {
			can[a.GetOperation()] = true
		}
		if can["print"] && can["cut"] {
			found = true
			continue
		}
		var keep []*tandemv1.Ability
		for _, a := range d.GetAbilities() {
			if op := a.GetOperation(); op != "print" && op != "cut" {
				keep = append(keep, a)
			}
		}
		d.Abilities = keep
	}
	if !found {
		return nil
	}
	return out
}
