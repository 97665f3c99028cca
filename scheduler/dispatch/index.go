package dispatch

import (
	"math"
	"time"

	"tandem/scheduler/floor"
)

// index keeps the waiting steps of a floor so that the best one for a device is found without reading them all.
//
// Within a group all steps ask the same of a device, changeover included. The ATCS index of a step with slack left is
//
//	ln I = ln(w/p) - (d-p-q-t)/K - changeover term
//
// where q is what the job's steps after it take at least, waiting times included. Only t changes, for all steps alike, so their order is fixed; without slack the middle term is 0. A heap for
// each of the two, and one that says when a step runs out of slack, are therefore enough: a decision costs O(log n). Only
// where the roll on a device is too short for some steps of a group, and account is kept of it, do they differ in the
// changeover; another heap tells those it reaches for.
//
// What is in the index, and what it answers, follows from the floor and the time alone, not from the way it came about.
type index struct {
	rule     Rule
	scale    Scale
	groups   map[groupKey]*group
	byDevice map[*floor.Device][]*group
	entries  map[*floor.Step]*entry
	later    entryHeap // grantable steps whose time has not come
	means    map[string]*mean
	models   map[*floor.Class][]model
	sampled  map[*floor.Class]bool // models are not those of all devices
	size     int
}

type groupKey struct {
	class  *floor.Class
	supply string
}

// entry is a waiting step in the index.
type entry struct {
	step    *floor.Step
	group   *group
	order   uint64     // job number and step number: the tie breaker
	work    float64    // reference processing time, seconds
	urgency float64    // ln(w/p)
	slackAt float64    // due time less all that the job still takes from here on, seconds: slack is left before that
	early   [2]float64 // keys while slack is left
	ready   time.Time  // when its time comes, while it is in later
	home    *entryHeap // later or its group's late; nil while it is in its group's early
	length  int64      // of web that it still takes, micrometres; 0: not known
	places  [4]int     // in home or in the two of early, in its group's turns, and in its group's lengths
}

// mean is the mean processing time of the waiting steps of an operation. The keys of the heaps depend on it: it counts in
// levels, each twice the one before, and is summed up in whole milliseconds, so that the same steps give the same level in
// any order.
type mean struct {
	count int
	sum   int64 // milliseconds
	level int
}

// mostWork keeps the sum of a hundred thousand steps within bounds.
const mostWork = 1000 * 24 * 3600 * time.Second

// add takes n steps, 1 or -1, of that work in or out.
func (m *mean) add(n int, seconds float64) {
	m.count += n
	m.sum += int64(n) * int64(min(seconds, mostWork.Seconds())*1000)
	if m.count > 0 {
		_, exponent := math.Frexp(float64(m.sum) / float64(m.count) / 1000)
		m.level = exponent - 1
	}
}

// used returns the processing time, in seconds, that stands for a level: those from 2^level to twice that.
func used(level int) float64 { return math.Ldexp(math.Sqrt2, level) }

func newIndex(rule Rule, scale Scale) *index {
	return &index{
		rule: rule, scale: scale, groups: map[groupKey]*group{}, byDevice: map[*floor.Device][]*group{},
		entries: map[*floor.Step]*entry{}, means: map[string]*mean{}, models: map[*floor.Class][]model{}, sampled: map[*floor.Class]bool{},
		later: entryHeap{before: func(a, b *entry) bool { return a.ready.Before(b.ready) }},
	}
}

// wake returns when the next step's time comes; the zero time if none waits for that.
func (x *index) wake() time.Time {
	if e := x.later.top(); e != nil {
		return e.ready
	}
	return time.Time{}
}

// sync takes in what has changed on the floor and lets steps in whose time has come. It returns whether anything changed.
func (x *index) sync(f *floor.Floor, now time.Time) bool {
	c := f.TakeChanges()
	changed := c.All || c.People || len(c.Steps) > 0 || len(c.Devices) > 0
	if c.All {
		*x = *newIndex(x.rule, x.scale)
		for _, j := range f.Jobs {
			for _, s := range j.Steps {
				x.update(s, now)
			}
		}
	}
	for _, s := range c.Steps {
		x.update(s, now)
	}
	for e := x.later.top(); e != nil && !now.Before(e.ready); e = x.later.top() {
		x.update(e.step, now)
		changed = true
	}
	return changed
}

// update puts a step where it belongs now.
func (x *index) update(s *floor.Step, now time.Time) {
	if e := x.entries[s]; e != nil {
		x.remove(e)
	}
	if !s.Grantable() || len(s.Class.Fits) == 0 {
		return
	}
	e := &entry{step: s, order: order(s), ready: s.Ready()}
	x.entries[s] = e
	if now.Before(e.ready) {
		x.later.add(e)
		e.home = &x.later
		return
	}
	x.insert(e, now)
}

func (x *index) insert(e *entry, now time.Time) {
	s := e.step
	e.group = x.groupOf(s)
	e.work = max(x.reference(s).Seconds(), 1)
	e.urgency = math.Log(float64(s.Job.Priority()) / e.work)
	e.slackAt = due(s) - e.work - x.after(s).Seconds()
	if most := s.Spec.GetMaxWait(); most != nil { // it loses what slack its job has before it has waited too long
		e.slackAt = min(e.slackAt, seconds(s.Free.Add(most.AsDuration())))
	}
	e.length = s.LengthLeft()
	x.size++
	e.group.mean.add(1, e.work)
	e.group.push(e, now)
}

func (x *index) remove(e *entry) {
	delete(x.entries, e.step)
	if e.home == &x.later {
		x.later.remove(e)
		return
	}
	e.group.pop(e)
	e.group.mean.add(-1, e.work)
	x.size--
}

func (x *index) groupOf(s *floor.Step) *group {
	key := groupKey{s.Class, s.Supply()}
	if g, ok := x.groups[key]; ok {
		return g
	}
	m := x.means[s.Class.Operation]
	if m == nil {
		m = &mean{}
		x.means[s.Class.Operation] = m
	}
	g := newGroup(s.Class, key.supply, m, x.rule, x.scale)
	x.groups[key] = g
	for _, d := range s.Class.Fits {
		x.byDevice[d] = append(x.byDevice[d], g)
	}
	return g
}

// order is the order of intake, then the place in the ticket.
func order(s *floor.Step) uint64 { return s.Job.Number<<20 | uint64(s.Index) }

// noPromise is how long after its intake a job without due time is taken to be due: late enough to give way, early enough
// not to starve.
const noPromise = 7 * 24 * time.Hour

func due(s *floor.Step) float64 {
	if d := s.Job.Due(); !d.IsZero() {
		return seconds(d)
	}
	return seconds(s.Job.Create.Add(noPromise))
}

func seconds(t time.Time) float64 { return float64(t.UnixNano()) / 1e9 }
