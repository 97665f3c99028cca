package physics

import (
	"math"
	"time"

	"tandem/scheduler/badfield"
)

// Error is why there is no answer: one bad field, and what would be right.
type Error = badfield.Error

// Bounds that keep every product of a length and a count exact in int64, far beyond any roll or job.
const (
	mostUm   = int64(1e12) // 1,000 km
	mostTime = time.Duration(math.MaxInt64)
)

// checks collects the first bad field, so that a function lists what it needs without a branch for each.
type checks struct{ err error }

func (c *checks) fail(field, format string, args ...any) {
	if c.err == nil {
		c.err = badfield.New(field, format, args...)
	}
}

// length wants 0 <= um <= mostUm.
func (c *checks) length(field string, um int64) {
	switch {
	case um < 0:
		c.fail(field, "is %d: a length in micrometres is 0 or more", um)
	case um > mostUm:
		c.fail(field, "is %d: at most %d micrometres (1,000 km); was it given in nanometres?", um, mostUm)
	}
}

// positive wants 0 < um <= mostUm, for what is divided by.
func (c *checks) positive(field string, um int64) {
	if um == 0 {
		c.fail(field, "is 0: give the machine's own figure, more than 0")
	}
	c.length(field, um)
}

func (c *checks) duration(field string, d time.Duration) {
	if d < 0 {
		c.fail(field, "is %v: a time is 0 or more", d)
	}
}

// rate wants a finite figure above 0, for what is divided by.
func (c *checks) rate(field string, v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) || v <= 0 {
		c.fail(field, "is %v: give a finite figure above 0, as measured at the machine", v)
	}
}

// total adds times up and remembers the first bad one.
type total struct {
	checks
	sum time.Duration
}

// add adds d n times.
func (t *total) add(field string, d time.Duration, n int64) {
	t.duration(field, d)
	if t.err != nil || n == 0 || d == 0 {
		return
	}
	if n < 0 {
		t.fail(field, "is wanted %d times: a number of times is 0 or more", n)
		return
	}
	if int64(d) > int64(mostTime-t.sum)/n {
		t.tooLong(field)
		return
	}
	t.sum += d * time.Duration(n)
}

// seconds adds a time that was worked out in floating point, rounded to the nearest nanosecond.
func (t *total) seconds(field string, s float64) {
	if t.err != nil {
		return
	}
	ns := math.Round(s * 1e9)
	if math.IsNaN(ns) || ns < 0 || ns >= float64(mostTime) {
		t.tooLong(field)
		return
	}
	t.add(field, time.Duration(ns), 1)
}

func (t *total) tooLong(field string) {
	t.fail(field, "makes the work last longer than 292 years: give a greater speed or less work")
}

func (t *total) result() (time.Duration, error) {
	if t.err != nil {
		return 0, t.err
	}
	return t.sum, nil
}
