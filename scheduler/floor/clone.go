package floor

import (
	"maps"
	"slices"

	"google.golang.org/protobuf/proto"

	"tandem/scheduler/code"
	"tandem/scheduler/learn"
)

// Clone returns a floor that is equal to this one and goes its own way from here on. Messages that nobody changes once they
// are on a floor, such as what was handed in, are the same ones in both: the two may belong to different goroutines.
func (f *Floor) Clone() *Floor {
	return f.clone(f.learned.Clone(), func(*Job) bool { return true })
}

// CloneOpen returns a floor on which everything that is still to be done is as on this one: for playing it forward. Jobs that
// have ended are left out unless something that is open or still loaded hangs together with them, and so are answers to earlier
// requests; and the clone learns no durations: [Floor.Check] does not hold on it, [Floor.Durations] is empty, and corrections
// that this floor has learned stay as they are. It costs as much as is open, however much has been done.
func (f *Floor) CloneOpen() *Floor {
	var open []*Job
	for _, j := range f.Jobs {
		if j.End.IsZero() {
			open = append(open, j)
		}
	}
	return f.CloneOf(open)
}

// CloneOf is CloneOpen with those jobs alone, the ones that are with a device, and what hangs together with either: it costs as much as
// they are.
func (f *Floor) CloneOf(jobs []*Job) *Floor {
	kept := map[*Job]bool{}
	var keep func(j *Job)
	keep = func(j *Job) {
		if j == nil || kept[j] {
			return
		}
		kept[j] = true
		keep(j.gang)
		for _, m := range j.Members {
			keep(m)
		}
		for _, s := range j.Steps {
			if s.Carrier != nil {
				keep(s.Carrier.Job)
			}
		}
	}
	for _, j := range jobs {
		keep(j)
	}
	for _, d := range f.Devices {
		for _, r := range d.Live {
			keep(r.Step.Job)
		}
		if d.LastRun != nil {
			keep(d.LastRun.Step.Job)
		}
	}
	out := f.clone(learn.New(nil), func(j *Job) bool { return kept[j] })
	out.frozen = true
	return out
}

// cloning is a floor that is being made after another one.
type cloning struct {
	*Floor
	jobs map[*Job]*Job
}

func (f *Floor) clone(learned *learn.Model, keep func(*Job) bool) *Floor {
	c := &cloning{
		Floor: &Floor{
			Revision: f.Revision, Term: f.Term, CommitTime: f.CommitTime,
			file: f.file, byDevice: make(map[string]*Device, len(f.byDevice)), byJob: map[string]*Job{}, runs: map[string]*Run{},
			people: &people{calendar: f.people.calendar.Clone(), deviation: f.people.deviation},
			codes:  map[code.Code]subject{}, classes: make(map[string]*Class, len(f.classes)), widths: slices.Clip(f.widths),
			requests: map[string]*answered{}, learned: learned, fastest: maps.Clone(f.fastest), frozen: f.frozen,
			personNumbers: maps.Clone(f.personNumbers), deviceNumbers: maps.Clone(f.deviceNumbers), slotNumbers: maps.Clone(f.slotNumbers),
			changes: Changes{All: true}, archive: f.archive,
		},
		jobs: map[*Job]*Job{},
	}
	proto.Merge(&c.counters, &f.counters)
	c.cloneStock(f)
	for id, d := range f.byDevice {
		c.byDevice[id] = c.device(d)
	}
	c.Devices = make([]*Device, len(f.Devices))
	for i, d := range f.Devices {
		c.Devices[i] = c.byDevice[d.ID]
	}
	for key, k := range f.classes {
		c.classes[key] = c.class(k)
	}
	for _, j := range f.Jobs {
		if f.byJob[j.ID] == j && keep(j) { // not forgotten
			c.job(j)
		}
	}
	for _, old := range f.Jobs {
		if j := c.jobs[old]; j != nil {
			c.connect(old, j)
		}
	}
	for id, d := range f.byDevice {
		n := c.byDevice[id]
		for _, r := range d.Live {
			n.Live = append(n.Live, c.runs[r.ID])
		}
		if d.LastRun != nil {
			n.LastRun = c.runs[d.LastRun.ID]
		}
	}
	c.cloneReview(f)
	c.cloneCodes(f)
	if !c.frozen && keepsAll(f, c.jobs) {
		for _, a := range f.requestOrder { // answers are never changed
			c.remember(a)
		}
	}
	return c.Floor
}

// keepsAll says whether no job was left out.
func keepsAll(f *Floor, jobs map[*Job]*Job) bool { return len(jobs) == len(f.byJob) }

func (c *cloning) cloneStock(f *Floor) {
	c.stock = newStock()
	c.stock.media = f.stock.media // made anew with each floor file, never changed
	for _, l := range f.stock.lots {
		n := *l
		n.Device = nil
		c.stock.add(&n)
	}
}

// device returns a device without its runs, which are not there yet.
func (c *cloning) device(d *Device) *Device {
	n := *d
	n.Live, n.LastRun = nil, nil
	n.strays, n.factors = slices.Clip(d.strays), maps.Clone(d.factors)
	n.stock = c.stock
	if d.people != nil {
		n.people = c.people
	}
	if d.Lot != nil {
		n.Lot = c.stock.byID[d.Lot.ID]
		n.Lot.Device = &n
	}
	return &n
}

// class returns a class of the clone. Those that only ended steps still have are cloned as they are met.
func (c *cloning) class(k *Class) *Class {
	n := &Class{Key: k.Key, Operation: k.Operation, floor: c.Floor, Fits: make([]*Device, len(k.Fits))}
	for i, d := range k.Fits {
		n.Fits[i] = c.byDevice[d.ID]
	}
	return n
}

// job clones a job without what connects it with others.
func (c *cloning) job(j *Job) {
	n := *j
	c.jobs[j] = &n
	n.Panels, n.Steps, n.byStep = make([]*Panel, len(j.Panels)), make([]*Step, len(j.Steps)), make(map[string]*Step, len(j.Steps))
	panels := make([]Panel, len(j.Panels))
	for i, p := range j.Panels {
		panels[i] = *p
		panels[i].Job, panels[i].shares = &n, nil
		n.Panels[i] = &panels[i]
	}
	steps := make([]Step, len(j.Steps))
	for i, s := range j.Steps {
		steps[i] = *s
		n.Steps[i] = &steps[i]
		n.byStep[s.ID()] = &steps[i]
	}
	for i, s := range j.Steps {
		c.step(&n, s, n.Steps[i])
	}
	c.Jobs = append(c.Jobs, &n)
	c.byJob[n.ID] = &n
}

func (c *cloning) step(j *Job, s, n *Step) {
	n.Job = j
	if k, ok := c.classes[s.Class.Key]; ok {
		n.Class = k
	} else {
		n.Class = c.class(s.Class)
	}
	n.Panels = make([]*Panel, len(s.Panels))
	for i, p := range s.Panels {
		n.Panels[i] = j.Panels[slices.Index(s.Job.Panels, p)]
	}
	n.Before, n.Next = inJob(j, s.Before), inJob(j, s.Next)
	n.refused = maps.Clone(s.refused)
	n.done, n.given = slices.Clone(s.done), slices.Clone(s.given)
	n.Runs = make([]*Run, len(s.Runs))
	runs := make([]Run, len(s.Runs))
	for i, r := range s.Runs {
		runs[i] = *r
		n.Runs[i] = &runs[i]
		c.run(n, &runs[i])
		if s.Live == r {
			n.Live = &runs[i]
		}
	}
}

// run makes a copy of a run one of the clone's.
func (c *cloning) run(s *Step, r *Run) {
	r.Step = s
	if d, ok := c.byDevice[r.Device.ID]; ok {
		r.Device = d
	} else {
		r.Device = c.deviceOrGhost(r.Device.ID)
	}
	if r.Lot != nil {
		r.Lot = c.stock.byID[r.Lot.ID]
	}
	r.Earlier, r.Registrations = slices.Clip(r.Earlier), slices.Clip(r.Registrations)
	c.runs[r.ID] = r
}

// inJob returns the steps of a clone that correspond to those.
func inJob(j *Job, steps []*Step) []*Step {
	if len(steps) == 0 {
		return nil
	}
	out := make([]*Step, len(steps))
	for i, s := range steps {
		out[i] = j.Steps[s.Index]
	}
	return out
}

// connect gives a cloned job what connects it with others.
func (c *cloning) connect(old, j *Job) {
	j.gang, j.Members, j.shares = c.jobs[old.gang], nil, nil
	for _, m := range old.Members {
		j.Members = append(j.Members, c.jobs[m])
	}
	for i, s := range old.Steps {
		n := j.Steps[i]
		n.Carrier, n.carries = c.stepOf(s.Carrier), nil
		for _, o := range s.carries {
			n.carries = append(n.carries, c.stepOf(o))
		}
	}
	for _, h := range old.shares {
		n := *h
		n.panel, n.own = c.panelOf(h.panel), c.panelOf(h.own)
		j.shares = append(j.shares, &n)
		n.panel.shares = append(n.panel.shares, &n)
		if slices.Contains(h.own.shares, h) { // else a later gang run has its pieces
			n.own.shares = append(n.own.shares, &n)
		}
	}
}

func (c *cloning) stepOf(s *Step) *Step {
	if s == nil || c.jobs[s.Job] == nil {
		return nil
	}
	return c.jobs[s.Job].Steps[s.Index]
}

func (c *cloning) panelOf(p *Panel) *Panel {
	return c.jobs[p.Job].Panels[slices.Index(p.Job.Panels, p)]
}

func (c *cloning) cloneCodes(f *Floor) {
	for _, d := range c.byDevice {
		if d.Code != "" {
			c.index(d.Code, subject{device: d})
		}
	}
	for _, l := range c.stock.lots {
		c.index(l.Code, subject{lot: l})
	}
	for _, j := range c.Jobs {
		c.index(j.Code, subject{job: j})
		for _, p := range j.Panels {
			c.index(p.Code, subject{panel: p})
		}
	}
	for key, s := range f.codes {
		switch {
		case s.person != "":
			c.codes[key] = s
		case s.slot != "":
			c.codes[key] = subject{device: c.byDevice[s.device.ID], slot: s.slot}
		}
	}
}
