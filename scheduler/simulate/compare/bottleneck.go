package compare

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/calendar"
)

// What holds a floor back is found by trying: a few replications are played again, with the same luck, with one operation a
// tenth shorter, or one person more on each shift. What shortens the work most is the bottleneck. The device that is busy for
// the largest share of its time is a good guess and no more: it may be the slowest of three, or work at night for nothing.

// probe is what is made faster.
type probe struct {
	operation string
	people    bool
}

// tenth is by how much an operation is made shorter.
const tenth = 0.1

func (p *probe) less() float64 { return tenth }

// leastEffect is the part of the time that a tenth of an operation must save to be said to hold the floor back.
const leastEffect = 0.005

// nearly is how much of the effect of an operation that of people must have to be named in its place.
const nearly = 0.9

// planProbes adds the plays that show what holds each floor back.
func (c *Comparison) planProbes() {
	for _, f := range c.floors {
		for _, p := range f.probes() {
			for n := range min(probes, c.replications) {
				c.queue = append(c.queue, task{do: func() error {
					r, err := c.play(f, n, &p)
					f.probed[p] = append(f.probed[p], r)
					return err
				}})
			}
		}
	}
}

// probes lists what can be tried on a floor: every operation that is done on it but drying, which takes what it takes, and
// people if they are counted.
func (f *contestant) probes() []probe {
	done := map[string]bool{}
	for _, p := range f.plays {
		for o := range p.operations {
			done[o] = done[o] || o != "dry"
		}
	}
	var out []probe
	for o, tried := range done {
		if tried {
			out = append(out, probe{operation: o})
		}
	}
	slices.SortFunc(out, func(a, b probe) int { return strings.Compare(a.operation, b.operation) })
	if f.people.Limited() {
		out = append(out, probe{people: true})
	}
	return out
}

// onePersonMore returns the floor file with one operator more on every shift.
func onePersonMore(file *tandemv1.FloorFile) *tandemv1.FloorFile {
	out := proto.CloneOf(file)
	for _, s := range out.GetShifts() {
		s.Operators = max(s.GetOperators(), 1) + 1
	}
	return out
}

// bottleneck is what holds a floor back, and which part of the time a tenth more of it would save.
type bottleneck struct {
	probe
	saves float64
	found bool
}

// bottleneck returns what shortens the work on a floor most. Of n people one more could save 1/(n+1) of the time at best: the
// part of that which is saved is the part of a tenth that a tenth more of them would save. Where people hold back nearly as
// much as an operation it is people, who do the operation.
func (c *Comparison) bottleneck(f *contestant) bottleneck {
	var best bottleneck
	measure := c.measure()
	for _, p := range f.probes() {
		var base, now float64
		for i, r := range f.probed[p] {
			base += measure(f.plays[i])
			now += measure(r)
		}
		saves := share(base-now, base)
		most := best.saves
		if p.people {
			saves *= tenth * (f.crew(c) + 1)
			most *= nearly
		}
		if saves > most {
			best = bottleneck{p, saves, saves >= leastEffect}
		}
	}
	return best
}

// crew returns how many operators are there on average while somebody is.
func (f *contestant) crew(c *Comparison) float64 {
	var present, open float64
	for _, w := range f.people.Windows(c.start, c.start.AddDate(0, 0, 28)) {
		if w.Operators != calendar.Unlimited {
			present += float64(w.Operators) * w.To.Sub(w.From).Seconds()
			open += w.To.Sub(w.From).Seconds()
		}
	}
	return max(share(present, open), 1)
}

// devicesOf names the devices of a floor that do an operation.
func (f *contestant) devicesOf(operation string) []string {
	var out []string
	for _, d := range f.file.GetDevices() {
		for _, a := range d.GetAbilities() {
			if a.GetOperation() == operation {
				out = append(out, d.GetId())
			}
		}
	}
	return out
}

// words says what holds a floor back.
func (b bottleneck) words(c *Comparison, f *contestant) string {
	what := "the work would end"
	if c.byFlow() {
		what = "a job would be done"
	}
	switch {
	case !b.found:
		return "nothing in particular: a tenth less of any operation would save next to nothing; drying, closed hours and the times at which jobs come set the pace"
	case b.people:
		return fmt.Sprintf("people: with a tenth more of them %s %s sooner", what, percent(b.saves))
	}
	const most = 4
	devices := f.devicesOf(b.operation)
	if len(devices) > most {
		devices = append(devices[:most:most], "...")
	}
	return fmt.Sprintf("%s (%s): were it a tenth shorter, %s %s sooner", b.operation, strings.Join(devices, ", "), what, percent(b.saves))
}
