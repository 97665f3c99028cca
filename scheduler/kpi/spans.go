package kpi

import (
	"cmp"
	"slices"
	"time"
)

// Interval is a time from From up to, and without, To.
type Interval struct{ From, To time.Time }

// Length returns how long it is.
func (i Interval) Length() time.Duration { return i.To.Sub(i.From) }

// Overlap returns how much of it lies in another.
func (i Interval) Overlap(o Interval) time.Duration {
	from, to := later(i.From, o.From), earlier(i.To, o.To)
	return max(to.Sub(from), 0)
}

// Span is a time in which a device did one thing.
type Span struct {
	Interval
	Class Class
	Why   string // why it stood still, where it did
}

// Spans returns what a device did in a time without a gap: changes are what the ledger knows of it, in their order, and runs are
// its runs. Before its first change nothing has been reported.
func Spans(in Interval, changes []Change, runs []Run) []Span {
	type edge struct {
		at              time.Time
		underWay, waits int // how many more
	}
	var edges []edge
	for i := range runs {
		r := &runs[i]
		end := r.Ended
		if end.IsZero() || end.After(in.To) {
			end = in.To
		}
		begun := r.Started
		if begun.IsZero() || begun.After(end) {
			begun = end
		}
		granted := earlier(r.Granted, begun)
		edges = append(edges, edge{granted, 0, 1}, edge{begun, 1, -1}, edge{end, -1, 0})
	}
	slices.SortStableFunc(edges, func(a, b edge) int { return a.at.Compare(b.at) })

	var out []Span
	none := Change{}
	now, underWay, waits := &none, 0, 0
	at := in.From
	for at.Before(in.To) {
		for len(changes) > 0 && !changes[0].At.After(at) {
			now, changes = &changes[0], changes[1:]
		}
		for len(edges) > 0 && !edges[0].at.After(at) {
			underWay, waits, edges = underWay+edges[0].underWay, waits+edges[0].waits, edges[1:]
		}
		next := in.To
		if len(changes) > 0 {
			next = earlier(next, changes[0].At)
		}
		if len(edges) > 0 {
			next = earlier(next, edges[0].at)
		}
		s := Span{Interval: Interval{at, next}, Class: now.class(underWay > 0, waits > 0)}
		if s.Class == Delay || s.Class == Down || s.Class == Paused || s.Class == Maintenance {
			s.Why = now.why()
		}
		if last := len(out) - 1; last >= 0 && out[last].Class == s.Class && out[last].Why == s.Why {
			out[last].To = s.To
		} else {
			out = append(out, s)
		}
		at = next
	}
	return out
}

// spansIn returns the spans that lie in a time, or partly; they must be in order.
func spansIn(in Interval, spans []Span) []Span {
	first, _ := slices.BinarySearchFunc(spans, in.From, func(s Span, t time.Time) int {
		if !s.To.After(t) {
			return -1
		}
		return 1
	})
	end, _ := slices.BinarySearchFunc(spans, in.To, func(s Span, t time.Time) int { return s.From.Compare(t) })
	return spans[first:max(first, end)]
}

// union returns the times that lie in at least one interval, in order and without overlaps.
func union(list []Interval) []Interval {
	list = slices.Clone(list)
	slices.SortFunc(list, func(a, b Interval) int { return cmp.Or(a.From.Compare(b.From), a.To.Compare(b.To)) })
	var out []Interval
	for _, i := range list {
		switch last := len(out) - 1; {
		case !i.From.Before(i.To):
		case last >= 0 && !i.From.After(out[last].To):
			out[last].To = later(out[last].To, i.To)
		default:
			out = append(out, i)
		}
	}
	return out
}

// within returns how much of i lies in intervals that are in order and do not overlap.
func within(i Interval, list []Interval) time.Duration {
	first, _ := slices.BinarySearchFunc(list, i.From, func(o Interval, t time.Time) int {
		if !o.To.After(t) {
			return -1
		}
		return 1
	})
	var sum time.Duration
	for _, o := range list[first:] {
		if !o.From.Before(i.To) {
			break
		}
		sum += i.Overlap(o)
	}
	return sum
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}
