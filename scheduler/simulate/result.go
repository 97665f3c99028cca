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
	End     time.Time   // of the last run
	Jobs    []JobResult // those that Options.Ended has not taken
	Devices []DeviceResult
	Pieces  int32 // good ones of completed jobs
	// OperatorBusy is the sum of the time people were with runs, their way to the device included, and took work off devices.
	OperatorBusy time.Duration
	// Open is how long at least one operator was there, Present how long all of them were, added up; Present is 0 if the
	// floor file has no shifts.
	Open, Present time.Duration
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
	// Spent is how it spent the time from opening to end, all its places together.
	Spent    Spent
	Capacity int
}

// Makespan returns the time from the opening of the floor to the end of the last run.
func (r *Result) Makespan() time.Duration { return r.End.Sub(r.Start) }

// runEnded books a run that has just ended.
func (s *simulation) runEnded(r *floor.Run) {
	if r.End.IsZero() {
		return
	}
	if change := s.account.ended(r); s.opt.RunEnded != nil {
		s.opt.RunEnded(r, change)
	}
	s.runs[r.Device]++
	s.ending = append(s.ending, r.Step.Job)
}

// settle takes leave of the jobs that have ended at this moment. A gang run ends with the last of its members' shared steps,
// and members may end with it.
func (s *simulation) settle() {
	for _, j := range s.ending {
		for _, m := range j.Members {
			s.jobEnded(m)
		}
		s.jobEnded(j)
	}
	clear(s.ending)
	s.ending = s.ending[:0]
}

func (s *simulation) jobEnded(j *floor.Job) {
	if known, ok := s.floor.Job(j.ID); !ok || known != j || j.End.IsZero() || s.opt.Ended == nil {
		return
	}
	s.pieces += piecesOf(j, s.now)
	s.opt.Ended(j)
	s.floor.Forget(j)
}

// piecesOf returns the good pieces that a job that has ended brings.
func piecesOf(j *floor.Job, now time.Time) int32 {
	if state, _ := j.State(now); state != tandemv1.JobState_JOB_STATE_COMPLETED || j.IsGang() { // its pieces are its members'
		return 0
	}
	var n int32
	for _, p := range j.Panels {
		n += p.Good
	}
	return n
}

// result reads the result off the floor.
func (s *simulation) result() *Result {
	out := &Result{Start: s.opt.Start, End: s.account.last, Pieces: s.pieces}
	people := s.floor.Calendar()
	out.OperatorBusy, out.Open = s.people.busy, people.Attended(out.Start, out.End)
	if people.Limited() {
		for _, w := range people.Windows(out.Start, out.End) {
			out.Present += time.Duration(w.Operators) * w.To.Sub(w.From)
		}
	}
	for _, d := range s.account.devices {
		out.Devices = append(out.Devices, DeviceResult{
			ID: d.device.ID, Runs: s.runs[d.device], Busy: d.spent.Busy + d.spent.Changeover, Spent: d.spent, Capacity: d.device.Capacity,
		})
	}
	for _, j := range s.floor.Jobs {
		if known, ok := s.floor.Job(j.ID); !ok || known != j {
			continue // forgotten
		}
		jr := JobResult{ID: j.ID, Create: j.Create, End: j.End}
		jr.State, jr.Reasons = j.State(s.now)
		jr.Completed = jr.State == tandemv1.JobState_JOB_STATE_COMPLETED
		for _, st := range j.Steps {
			for _, r := range st.Runs {
				if !r.Start.IsZero() && !r.End.IsZero() {
					jr.Legs = append(jr.Legs, Leg{Step: st.ID(), Device: r.Device.ID, Start: r.Start, End: r.End})
				}
			}
		}
		out.Pieces += piecesOf(j, s.now)
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
