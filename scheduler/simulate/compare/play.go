package compare

import (
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
	"tandem/scheduler/simulate"
)

// play is what one replication on one floor came to. Times are in seconds.
type play struct {
	jobs       int
	makespan   float64
	open       float64 // of the makespan: somebody was there
	present    float64 // operators' time on the floor
	pieces     float64
	area       float64 // square metres
	flow       float64 // sum over jobs
	late       float64 // weighted, sum over jobs
	lateJobs   int
	due        int // jobs with a due time
	finished   int
	work       float64 // of operators
	devices    []simulate.DeviceResult
	lastCame   float64 // when the last job came, from the opening
	operations map[string]bool
	example    []*tandemv1.PlannedRun
}

// mostExample bounds the runs that are kept for a picture.
const mostExample = 2000

// play plays one replication on a floor; faster, if not nil, names what is done faster than it would be.
func (c *Comparison) play(f *contestant, replication int, faster *probe) (*play, error) {
	arrivals, err := c.arrivals(f, replication)
	if err != nil {
		return nil, err
	}
	p := &play{jobs: len(arrivals), operations: map[string]bool{}}
	for _, a := range arrivals {
		p.lastCame = max(p.lastCame, a.At.Sub(c.start).Seconds())
	}
	opt := simulate.Options{
		Start: c.start, Reaction: c.reaction, Stop: c.stop, Ended: p.ended,
		RunEnded: func(r *floor.Run, changeover time.Duration) {
			p.runEnded(r, changeover, replication == 0 && faster == nil)
		},
	}
	expected := func(r *floor.Run) time.Duration { return r.Model } // what was expected is corrected by what runs took before
	if !c.req.GetExact() {
		expected = simulate.NewLuck(c.req.GetSeed(), uint64(replication), c.known).Duration
	}
	file := f.file
	opt.Duration = expected
	switch {
	case faster == nil:
	case faster.people:
		file = onePersonMore(file)
	default:
		opt.Duration = func(r *floor.Run) time.Duration {
			d := expected(r)
			if r.Step.Operation() == faster.operation {
				d = time.Duration(float64(d) * (1 - faster.less()))
			}
			return d
		}
	}
	r, err := simulate.Run(file, arrivals, opt)
	if err != nil {
		return nil, err
	}
	p.makespan, p.open, p.present = r.Makespan().Seconds(), r.Open.Seconds(), r.Present.Seconds()
	p.pieces, p.work, p.devices = float64(r.Pieces), r.OperatorBusy.Seconds(), r.Devices
	return p, nil
}

// ended counts a job.
func (p *play) ended(j *floor.Job) {
	p.flow += j.End.Sub(j.Create).Seconds()
	if due := j.Due(); !due.IsZero() {
		p.due++
		if late := j.End.Sub(due); late > 0 {
			p.lateJobs++
			p.late += late.Seconds() * j.Weight()
		}
	}
	p.area += area(j)
	p.finished++
}

// area returns the square metres that a job prints, or cuts if it prints nothing.
func area(j *floor.Job) float64 {
	for _, operation := range []string{"print", "cut"} {
		sum := 0.0
		for _, s := range j.Steps {
			if s.Operation() == operation {
				sum += float64(s.Spec.GetWidthUm()) / 1e6 * float64(s.Spec.GetLengthUm()) / 1e6
			}
		}
		if sum > 0 {
			return sum
		}
	}
	return 0
}

func (p *play) runEnded(r *floor.Run, changeover time.Duration, picture bool) {
	p.operations[r.Step.Operation()] = true
	if !picture || len(p.example) >= mostExample {
		return
	}
	run := &tandemv1.PlannedRun{
		Device: r.Device.ID, Job: r.Step.Job.ID, Step: r.Step.ID(), Operation: r.Step.Operation(),
		StartTime: timestamppb.New(r.Start), EndTime: timestamppb.New(r.End), Changeover: durationpb.New(changeover),
	}
	if due := r.Step.Job.Due(); !due.IsZero() {
		run.DueTime = timestamppb.New(due)
	}
	p.example = append(p.example, run)
}
