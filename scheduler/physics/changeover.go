package physics

import (
	"fmt"
	"iter"
	"time"

	"tandem/scheduler/badfield"
)

// Words for the from and to of a Change that are no name of media, film, mode or blade.
const (
	Any  = "any"  // whatever is loaded, or nothing
	None = "none" // nothing loaded
)

// Aspect is a side of a device that is changed by hand.
type Aspect string

// The aspects, in the order in which they are reported.
const (
	Media Aspect = "media"
	Film  Aspect = "film"
	Mode  Aspect = "mode"
	Blade Aspect = "blade"
)

// Loaded is what is on a device, or what a step wants there. Empty: nothing loaded, or nothing wanted.
type Loaded struct{ Media, Film, Mode, Blade string }

// Change is the time from one media, film, mode or blade to another.
type Change struct {
	Aspect   Aspect
	From, To string // a name, Any, or None for From
	Both     bool   // takes as long the other way round
	Time     time.Duration
}

// Changeovers are the changes of one device.
type Changeovers struct {
	Changes  []Change
	Parallel bool // several people or one rewind: the longest change counts, not their sum
}

// Done is one change that is needed.
type Done struct {
	Aspect   Aspect
	From, To string // From is empty if nothing is loaded
	Time     time.Duration
	Rule     int // index in Changes; -1: none matches, so it costs nothing
}

// Time returns what it costs to go from one state to the other, and the changes that are needed. It checks c first.
func (c Changeovers) Time(from, to Loaded) (time.Duration, []Done, error) {
	if err := c.Check(); err != nil {
		return 0, nil, err
	}
	var (
		t       total
		longest time.Duration
		done    []Done
	)
	for d := range c.Needed(from, to) {
		done = append(done, d)
		longest = max(longest, d.Time)
		t.add(fmt.Sprintf("changes[%d].time", d.Rule), d.Time, 1)
	}
	if c.Parallel {
		return longest, done, nil
	}
	sum, err := t.result()
	if err != nil {
		return 0, nil, err
	}
	return sum, done, nil
}

// Needed yields the changes from one state to the other in the order media, film, mode, blade; c has been checked. What is not wanted
// stays as it is. Of the changes that match, the one with more names wins; of those, the one written for this direction; of those,
// the first.
func (c Changeovers) Needed(from, to Loaded) iter.Seq[Done] {
	return func(yield func(Done) bool) {
		for _, a := range [...]struct {
			aspect   Aspect
			from, to string
		}{{Media, from.Media, to.Media}, {Film, from.Film, to.Film}, {Mode, from.Mode, to.Mode}, {Blade, from.Blade, to.Blade}} {
			if a.to == "" || a.to == a.from {
				continue
			}
			d := Done{Aspect: a.aspect, From: a.from, To: a.to, Rule: c.best(a.aspect, a.from, a.to)}
			if d.Rule >= 0 {
				d.Time = c.Changes[d.Rule].Time
			}
			if !yield(d) {
				return
			}
		}
	}
}

func (c Changeovers) best(aspect Aspect, from, to string) int {
	best, most := -1, -1
	for i, r := range c.Changes {
		if r.Aspect != aspect {
			continue
		}
		score := -1
		if fits(r.From, from) && fits(r.To, to) {
			score = 2*names(r.From, r.To) + 1
		} else if r.Both && fits(r.To, from) && fits(r.From, to) {
			score = 2 * names(r.From, r.To)
		}
		if score > most {
			best, most = i, score
		}
	}
	return best
}

func fits(rule, name string) bool {
	return rule == Any || rule == name || rule == None && name == ""
}

func names(words ...string) int {
	n := 0
	for _, w := range words {
		if w != Any {
			n++
		}
	}
	return n
}

// Check returns an *Error for the first change that says nothing or contradicts another.
func (c Changeovers) Check() error {
	type pair struct {
		aspect   Aspect
		from, to string
	}
	seen := make(map[pair]int, len(c.Changes))
	for i, r := range c.Changes {
		at := func(field string) string { return fmt.Sprintf("changes[%d].%s", i, field) }
		switch r.Aspect {
		case Media, Film, Mode, Blade:
		default:
			return badfield.New(at("aspect"), "is %.40q: give %s, %s, %s or %s", r.Aspect, Media, Film, Mode, Blade)
		}
		if r.From == "" {
			return badfield.New(at("from"), "is empty: give a name, %s, or %s where nothing is loaded", Any, None)
		}
		if r.To == "" || r.To == None {
			return badfield.New(at("to"), "is %q: give a name or %s", r.To, Any)
		}
		if r.From == r.To && r.From != Any {
			return badfield.New(at("to"), "is %.40q, the same as from: that is no change, so leave it out", r.To)
		}
		if r.Both && r.From == None {
			return badfield.New(at("both"), "is set, but nothing is ever changed to %s: leave it out", None)
		}
		if r.Time < 0 {
			return badfield.New(at("time"), "is %v: a time is 0 or more", r.Time)
		}
		p := pair{r.Aspect, r.From, r.To}
		if j, twice := seen[p]; twice {
			return badfield.New(at("from"), "and to are those of changes[%d]: keep one of them", j)
		}
		seen[p] = i
	}
	return nil
}
