// Package calendar says when people are on the floor, and how many: the shifts of the floor file on the shop's own clock,
// with its closed days and its changes to and from summer time.
//
// A shift belongs to the day on which it begins, also where it goes on past midnight: a closed day has none of its own and
// keeps what is left of the night before. Shifts that overlap add up. A clock time that comes twice when the clocks go back
// is the first of the two; one that is left out when they go forward is the moment of the jump.
//
// The package is pure: it reads no clock. The rules of time zones are those of the IANA database that the program was built
// with or finds; a Calendar keeps what it has worked out and belongs to one goroutine.
package calendar

import (
	"maps"
	"math"
	"sort"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
)

// Unlimited stands for as many operators as anybody needs: a floor file without shifts.
const Unlimited = math.MaxInt32

// Calendar is when how many operators are there.
type Calendar struct {
	shifts    *shifts
	deviation Deviation
}

// Deviation takes the place of the shifts for a while: overtime, or somebody is ill.
type Deviation struct {
	From, Until time.Time
	Operators   int
}

// Window is a time during which the number of operators stays the same.
type Window struct {
	From, To  time.Time
	Operators int
}

// New returns the calendar of a floor file. Its error is a *badfield.Error: the first thing that Check finds.
func New(f *tandemv1.FloorFile) (*Calendar, error) {
	s, bad := read(f)
	if len(bad) > 0 {
		return nil, bad[0]
	}
	return &Calendar{shifts: s}, nil
}

// With returns the calendar with a deviation in place of the one it has. One whose end is not after its beginning is none.
// The two share what they work out and belong to the same goroutine.
func (c *Calendar) With(d Deviation) *Calendar {
	if !d.Until.After(d.From) {
		d = Deviation{}
	}
	return &Calendar{shifts: c.shifts, deviation: d}
}

// Clone returns the same calendar for another goroutine. What has been worked out so far goes along.
func (c *Calendar) Clone() *Calendar {
	s := *c.shifts
	s.known, s.spans = maps.Clone(s.known), maps.Clone(s.spans)
	return &Calendar{shifts: &s, deviation: c.deviation}
}

// Location returns the time zone of the shop's clock.
func (c *Calendar) Location() *time.Location { return c.shifts.zone }

// Limited says whether the number of operators matters at all: there are shifts, or a deviation.
func (c *Calendar) Limited() bool {
	return len(c.shifts.list) > 0 || !c.deviation.Until.IsZero()
}

// Operators returns how many operators are there at a time; Unlimited if no shifts are given.
func (c *Calendar) Operators(t time.Time) int {
	n, _ := c.span(t)
	return n
}

// Next returns the next time at or after t at which at least one operator is there: t itself if so, the zero time if never.
func (c *Calendar) Next(t time.Time) time.Time { return c.Fit(t, 0, 1) }

// Change returns the next time after t at which the number of operators changes; the zero time if it never does.
func (c *Calendar) Change(t time.Time) time.Time {
	n, until := c.span(t)
	for last := c.settled(t); !until.IsZero() && until.Before(last); {
		next, after := c.span(until)
		if next != n {
			return until
		}
		until = after
	}
	return time.Time{}
}

// Windows returns when at least one operator is there between two times, in their order and cut off at both.
func (c *Calendar) Windows(from, to time.Time) []Window {
	var out []Window
	for at := from; at.Before(to); {
		n, until := c.span(at)
		if until.IsZero() || until.After(to) {
			until = to
		}
		switch last := len(out) - 1; {
		case n == 0:
		case last >= 0 && out[last].To.Equal(at) && out[last].Operators == n:
			out[last].To = until
		default:
			out = append(out, Window{From: at, To: until, Operators: n})
		}
		at = until
	}
	return out
}

// Attended returns how long at least one operator is there between two times.
func (c *Calendar) Attended(from, to time.Time) time.Duration {
	var sum time.Duration
	for at := from; at.Before(to); {
		n, until := c.span(at)
		if until.IsZero() || until.After(to) {
			until = to
		}
		if n > 0 {
			sum += until.Sub(at)
		}
		at = until
	}
	return sum
}

// Fit returns the first time at or after from from which at least so many operators are there for as long as needed, without
// a break; the zero time if that never comes.
func (c *Calendar) Fit(from time.Time, needed time.Duration, operators int) time.Time {
	if operators <= 0 {
		return from
	}
	tooLong := needed > c.shifts.longest(operators)
	last := c.settled(from)
	if tooLong {
		last = later(from, c.deviation.Until).Add(needed)
	}
	start := from // of the time with enough of them, if there are any
	enough := false
	for at := from; ; {
		n, until := c.span(at)
		if n >= operators {
			if !enough {
				start, enough = at, true
			}
			if until.IsZero() || until.Sub(start) >= needed {
				return start
			}
		} else {
			enough = false
			if until.IsZero() || (tooLong && until.After(c.deviation.Until)) {
				return time.Time{}
			}
		}
		if !until.Before(last) && !enough {
			return time.Time{}
		}
		at = until
	}
}

// span returns how many operators are there at a time, and until when that certainly stays so; the zero time: for ever.
func (c *Calendar) span(t time.Time) (operators int, until time.Time) {
	d := c.deviation
	if !d.Until.IsZero() && !t.Before(d.From) && t.Before(d.Until) {
		return d.Operators, d.Until
	}
	operators, until = c.shifts.span(t)
	if !d.Until.IsZero() && t.Before(d.From) && (until.IsZero() || d.From.Before(until)) {
		until = d.From
	}
	return operators, until
}

// settled returns a time by which everything has come up that repeats with the weeks: what has not happened from t until then
// never will.
func (c *Calendar) settled(t time.Time) time.Time {
	return later(later(t, c.shifts.lastClosed), c.deviation.Until).Add(2 * chunk)
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// chunk is how much is worked out at once. It is longer than the weeks that hold a change of the clocks, in which a shift may
// be left out.
const chunk = 28 * 24 * time.Hour

// mostChunks bounds what is kept.
const mostChunks = 64

// level is how many operators are there from a time on.
type level struct {
	from      int64 // seconds since 1970
	operators int
}

func (s *shifts) span(t time.Time) (int, time.Time) {
	if len(s.list) == 0 {
		return Unlimited, time.Time{}
	}
	const length = int64(chunk / time.Second)
	at := t.Unix()
	n := at / length
	if at < 0 && at%length != 0 {
		n--
	}
	levels := s.last
	if s.lastNumber != n || levels == nil {
		levels = s.levels(n, length)
	}
	i := sort.Search(len(levels), func(i int) bool { return levels[i].from > at }) // the first begins with the chunk
	until := (n + 1) * length
	if i < len(levels) {
		until = levels[i].from
	}
	return levels[i-1].operators, time.Unix(until, 0).UTC()
}

// levels returns a chunk, worked out if it is not known.
func (s *shifts) levels(n, length int64) []level {
	levels, ok := s.known[n]
	if !ok {
		if len(s.known) >= mostChunks {
			clear(s.known)
		}
		levels = s.workOut(n*length, (n+1)*length)
		s.known[n] = levels
	}
	s.last, s.lastNumber = levels, n
	return levels
}

// workOut returns the levels between two times in seconds.
func (s *shifts) workOut(from, to int64) []level {
	var steps []level // of which operators is a difference
	day := time.Unix(from, 0).In(s.zone).AddDate(0, 0, -3)
	last := time.Unix(to, 0).In(s.zone).AddDate(0, 0, 1)
	for year, month, d := day.Date(); ; d++ {
		date := time.Date(year, month, d, 0, 0, 0, 0, time.UTC)
		if date.After(last) {
			break
		}
		if s.closed[date] {
			continue
		}
		for _, sh := range s.list {
			if !sh.days[date.Weekday()] {
				continue
			}
			begin, end := s.moment(date, sh.from), s.moment(date, sh.to)
			if begin < end && begin < to && end > from {
				steps = append(steps, level{max(begin, from), sh.operators}, level{end, -sh.operators})
			}
		}
	}
	sort.SliceStable(steps, func(i, j int) bool { return steps[i].from < steps[j].from })
	out := []level{{from: from}}
	for i := 0; i < len(steps) && steps[i].from < to; {
		at, n := steps[i].from, out[len(out)-1].operators
		for ; i < len(steps) && steps[i].from == at; i++ {
			n += steps[i].operators
		}
		switch last := &out[len(out)-1]; {
		case n == last.operators:
		case at == last.from:
			last.operators = n
		default:
			out = append(out, level{at, n})
		}
	}
	return out
}

// moment returns the time, in seconds since 1970, at which the shop's clock first shows so many minutes after the midnight of
// a date, or a later time if it leaves that one out.
func (s *shifts) moment(date time.Time, minutes int) int64 {
	shown := date.Unix() + int64(minutes)*60
	offset := func(at int64) int64 {
		_, o := time.Unix(at, 0).In(s.zone).Zone()
		return int64(o)
	}
	const day = 24 * 3600
	before, after := offset(shown-day), offset(shown+day)
	first, second := shown-before, shown-after
	if before == after || offset(first) == before {
		return first
	}
	if offset(second) == after {
		return second
	}
	_, jump := time.Unix(second, 0).In(s.zone).ZoneBounds()
	return jump.Unix()
}
