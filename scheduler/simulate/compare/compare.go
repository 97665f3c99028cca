// Package compare plays the same jobs on two or more floors, many times with the same luck on each, and tells in figures and
// in sentences how they did: would a second cutter pay?
//
// Everything that is random comes from a seed, so that a comparison can be made again; the floors themselves run as in
// package simulate. The package reads no clock and starts nothing: its caller asks for one play after the other, and may stop
// at any time.
package compare

import (
	"fmt"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/calendar"
	"tandem/scheduler/floor"
	"tandem/scheduler/learn"
	"tandem/scheduler/simulate"
	"tandem/scheduler/ticket"
)

// What stands for values that a request leaves out.
const (
	usualReplications = 20
	usualReaction     = 2 * time.Minute
)

// probes is how many replications are played again with an operation that is a little faster, to see what holds a floor back.
const probes = 3

// Comparison is a comparison under way. It is not safe for concurrent use.
type Comparison struct {
	req          *tandemv1.CompareFloorsRequest
	replications int
	start        time.Time
	reaction     time.Duration
	known        *learn.Model
	floors       []*contestant
	mix          *mix // nil: the jobs of the request
	queue        []task
	done, total  int
	stop         func() error
}

// contestant is a floor that is compared.
type contestant struct {
	name   string
	file   *tandemv1.FloorFile
	people *calendar.Calendar
	jobs   []simulate.Arrival // those of the request, made by this floor's rules
	kinds  map[kind]*tandemv1.Job
	plays  []*play
	probed map[probe][]*play
}

// task is a part of the work that is done without a break.
type task struct {
	do    func() error
	plays bool // it counts as a replication
}

// New checks a request and returns its comparison. Now is what a mix that names no start begins after; known is what is known
// of how long devices take, nil for nothing, and must not change any more. Errors are of type *floor.Error and name the field.
func New(req *tandemv1.CompareFloorsRequest, now time.Time, known *learn.Model) (*Comparison, error) {
	if err := check(req); err != nil {
		return nil, err
	}
	if known == nil {
		known = learn.New(nil)
	}
	c := &Comparison{req: req, replications: int(req.GetReplications()), reaction: usualReaction, known: known}
	if c.replications == 0 {
		c.replications = usualReplications
	}
	if c.certain() {
		c.replications = 1
	}
	if req.GetReaction() != nil {
		c.reaction = req.GetReaction().AsDuration()
	}
	for i, v := range req.GetFloors() {
		people, err := calendar.New(v.GetFloor())
		if err != nil {
			return nil, badField(fmt.Sprintf("floors[%d].floor", i), "%v", err)
		}
		name := v.GetName()
		if name == "" {
			name = fmt.Sprintf("floor-%d", i+1)
		}
		c.floors = append(c.floors, &contestant{
			name: name, file: v.GetFloor(), people: people, kinds: map[kind]*tandemv1.Job{}, probed: map[probe][]*play{},
		})
	}
	c.start = c.opening(now)
	if req.GetMix() != nil {
		c.mix = newMix(req.GetMix(), req.GetSeed(), c.floors[0].people, c.start)
	}
	c.plan()
	return c, nil
}

// certain says whether nothing is random: one replication says all.
func (c *Comparison) certain() bool { return c.req.GetExact() && c.req.GetMix() == nil }

// opening returns when the floors open.
func (c *Comparison) opening(now time.Time) time.Time {
	if c.req.GetStartTime() != nil {
		return c.req.GetStartTime().AsTime()
	}
	if c.req.GetMix() != nil {
		local := now.In(c.floors[0].people.Location())
		days := (8-int(local.Weekday()))%7 + 7*b2i(local.Weekday() == time.Monday)
		return time.Date(local.Year(), local.Month(), local.Day()+days, 0, 0, 0, 0, local.Location())
	}
	var first time.Time
	for _, j := range c.req.GetJobs() {
		if j.GetTime() != nil && (first.IsZero() || j.GetTime().AsTime().Before(first)) {
			first = j.GetTime().AsTime()
		}
	}
	if first.IsZero() {
		return now
	}
	return first
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// plan lists what is to be done: jobs are made first, so that a bad one is known at once.
func (c *Comparison) plan() {
	for _, f := range c.floors {
		if c.mix != nil {
			for i := range c.mix.spec.GetEntries() {
				c.queue = append(c.queue, task{do: func() error { _, err := c.make(f, c.mix.plain(i)); return err }})
			}
			continue
		}
		for i := range c.req.GetJobs() {
			c.queue = append(c.queue, task{do: func() error { return c.take(f, i) }})
		}
	}
	for n := range c.replications {
		for _, f := range c.floors {
			c.queue = append(c.queue, task{plays: true, do: func() error {
				p, err := c.play(f, n, nil)
				f.plays = append(f.plays, p)
				return err
			}})
			c.total++
		}
	}
	c.queue = append(c.queue, task{do: func() error { c.planProbes(); return nil }})
}

// Progress returns how many replications have been played on all floors together, and how many there are.
func (c *Comparison) Progress() (done, total int) { return c.done, c.total }

// Next does the next part of the work, a replication on one floor as a rule, and says whether there was one. Stop is asked
// meanwhile; its error ends the comparison. Nil: nobody stops it.
func (c *Comparison) Next(stop func() error) (bool, error) {
	if len(c.queue) == 0 {
		return false, nil
	}
	c.stop = stop
	t := c.queue[0]
	c.queue = c.queue[1:]
	if err := t.do(); err != nil {
		c.queue = nil
		return false, err
	}
	if t.plays {
		c.done++
	}
	return true, nil
}

// take makes one of the jobs of the request by the rules of a floor.
func (c *Comparison) take(f *contestant, i int) error {
	in := c.req.GetJobs()[i]
	job, err := makeJob(f.file, in.GetJob(), in.GetCutFiles())
	if err != nil {
		return within(err, fmt.Sprintf("jobs[%d]", i), in.GetJob().GetId(), f.name)
	}
	at := c.start
	if in.GetTime() != nil {
		at = in.GetTime().AsTime()
	}
	f.jobs = append(f.jobs, simulate.Arrival{At: at, Job: job})
	return nil
}

// makeJob makes panels and steps of a job given as items, and has the floor look at it.
func makeJob(file *tandemv1.FloorFile, job *tandemv1.Job, cutFiles []*tandemv1.CutFile) (*tandemv1.Job, error) {
	if len(job.GetItems()) > 0 {
		made, err := ticket.Make(file, job, cutFiles)
		if err != nil {
			return nil, err
		}
		job = made.Job
	}
	_, err := floor.New().Decide(time.Time{}, floor.Meta{}, floor.CreateJob{Job: job})
	return job, err
}
