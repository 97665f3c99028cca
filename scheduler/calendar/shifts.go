package calendar

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/badfield"
)

// shifts is what a floor file says of them, and what has been worked out of it.
type shifts struct {
	zone       *time.Location
	list       []shift
	closed     map[time.Time]bool // midnight UTC of the date
	lastClosed time.Time          // a day after the last of them

	known      map[int64][]level // chunks by number
	last       []level           // the one asked for last
	lastNumber int64
	spans      map[int]time.Duration // by operators: see longest
}

// shift is a time of the week. Its times are minutes after midnight; to may lie on the day after.
type shift struct {
	days      [7]bool // by time.Weekday
	from, to  int
	operators int
}

const dayMinutes = 24 * 60

var weekdays = []string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"} // by time.Weekday

// mostOperators is far beyond a shop's and keeps a slip of the pen from harming it.
const mostOperators = 10_000

// Check returns everything that is wrong with the shifts, closed days and time zone of a floor file.
func Check(f *tandemv1.FloorFile) []*badfield.Error {
	_, bad := read(f)
	return bad
}

func read(f *tandemv1.FloorFile) (*shifts, []*badfield.Error) {
	s := &shifts{zone: time.UTC, closed: map[time.Time]bool{}, known: map[int64][]level{}, spans: map[int]time.Duration{}}
	var bad []*badfield.Error
	for i, spec := range f.GetShifts() {
		sh, b := readShift(fmt.Sprintf("shifts[%d]", i), spec)
		bad = append(bad, b...)
		s.list = append(s.list, sh)
	}
	for i, text := range f.GetClosedDays() {
		field := fmt.Sprintf("closed_days[%d]", i)
		day, err := time.Parse(time.DateOnly, text)
		switch {
		case err != nil:
			bad = append(bad, badfield.New(field, "%q is not a date; write it as YYYY-MM-DD, such as 2026-12-25", shorten(text)))
		case day.Year() < 2000 || day.Year() > 2200:
			bad = append(bad, badfield.New(field, "%s is not between the years 2000 and 2200", text))
		case s.closed[day]:
			bad = append(bad, badfield.New(field, "%s is named twice; keep one", text))
		default:
			s.closed[day] = true
			s.lastClosed = later(s.lastClosed, day.AddDate(0, 0, 2))
		}
	}
	zone, err := location(f.GetTimeZone())
	if err != nil {
		return s, append(bad, badfield.New("time_zone", "%q is not a name of the IANA time zone database; write one such as Europe/Berlin, or leave it out for UTC", shorten(f.GetTimeZone())))
	}
	s.zone = zone
	return s, bad
}

// location returns the time zone of that name. The zone of the machine that happens to run this is none.
func location(name string) (*time.Location, error) {
	if name == "Local" {
		return nil, fmt.Errorf("%s is no place", name)
	}
	return time.LoadLocation(name)
}

func readShift(field string, spec *tandemv1.Shift) (shift, []*badfield.Error) {
	var sh shift
	var bad []*badfield.Error
	add := func(name, format string, args ...any) {
		bad = append(bad, badfield.New(field+"."+name, format, args...))
	}
	days := spec.GetDays()
	if len(days) == 0 {
		days = weekdays[time.Monday:time.Saturday]
	}
	for i, name := range days {
		day := slices.Index(weekdays, name)
		switch {
		case day < 0:
			add(fmt.Sprintf("days[%d]", i), "%q is not a day; use %s", shorten(name), "mon, tue, wed, thu, fri, sat or sun")
		case sh.days[day]:
			add(fmt.Sprintf("days[%d]", i), "%s is named twice; keep one", name)
		default:
			sh.days[day] = true
		}
	}
	var ok bool
	if sh.from, ok = clock(spec.GetFrom()); !ok || sh.from == dayMinutes {
		add("from", "%s; write the time it begins as HH:MM, from 00:00 to 23:59", shown(spec.GetFrom()))
	}
	if sh.to, ok = clock(spec.GetTo()); !ok {
		add("to", "%s; write the time it ends as HH:MM, from 00:00 to 24:00", shown(spec.GetTo()))
	}
	if sh.to <= sh.from {
		sh.to += dayMinutes
	}
	switch sh.operators = int(spec.GetOperators()); {
	case sh.operators < 0 || sh.operators > mostOperators:
		add("operators", "is %d; give the people who run devices, 1 to %d", sh.operators, mostOperators)
	case sh.operators == 0:
		sh.operators = 1
	}
	return sh, bad
}

// clock reads HH:MM as minutes after midnight.
func clock(s string) (int, bool) {
	h, m, ok := strings.Cut(s, ":")
	if !ok || len(h) != 2 || len(m) != 2 || strings.ContainsAny(s, "+-") {
		return 0, false
	}
	hour, err1 := strconv.Atoi(h)
	minute, err2 := strconv.Atoi(m)
	at := hour*60 + minute
	return at, err1 == nil && err2 == nil && minute < 60 && at <= dayMinutes
}

func shown(s string) string {
	if s == "" {
		return "is missing"
	}
	return fmt.Sprintf("%q is not a time of day", shorten(s))
}

// shorten keeps what was written from filling the screen.
func shorten(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "..."
	}
	return s
}

// longest returns the longest time for which so many operators can be there without a break: a bound, some hours above the
// truth where clocks are changed.
func (s *shifts) longest(operators int) time.Duration {
	if len(s.list) == 0 {
		return math.MaxInt64
	}
	if known, ok := s.spans[operators]; ok {
		return known
	}
	const week = 7 * dayMinutes
	change := make([]int, 3*week+1) // of operators, at each minute of three weeks
	for _, sh := range s.list {
		for day := range 21 {
			if sh.days[day%7] {
				change[day*dayMinutes+sh.from] += sh.operators
				change[min(day*dayMinutes+sh.to, 3*week)] -= sh.operators
			}
		}
	}
	n, run, most := 0, 0, 0
	for at := range 3 * week {
		n += change[at]
		if run++; n < operators {
			run = 0
		}
		most = max(most, run)
	}
	out := time.Duration(most)*time.Minute + 4*time.Hour
	switch {
	case most == 0:
		out = 0
	case most >= 2*week:
		out = math.MaxInt64
	}
	s.spans[operators] = out
	return out
}
