package calendar

import (
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	tandemv1 "tandem/proto/tandem/v1"
)

// scan says for each minute of some days how many operators are there, by following the shop's clock minute by minute: a
// shift has begun once the clock has shown its beginning or a later time, and has ended once it has shown its end.
type scan struct {
	from      time.Time
	operators []int
}

func newScan(f *tandemv1.FloorFile, zone *time.Location, from time.Time, minutes int) scan {
	const before = 4 * dayMinutes
	out := scan{from: from}
	var latest time.Time // that the clock has shown, as if it were UTC
	for m := -before; m < minutes; m++ {
		y, mo, d := from.Add(time.Duration(m) * time.Minute).In(zone).Date()
		h, mi, _ := from.Add(time.Duration(m) * time.Minute).In(zone).Clock()
		latest = later(latest, time.Date(y, mo, d, h, mi, 0, 0, time.UTC))
		if m >= 0 {
			out.operators = append(out.operators, shownOperators(f, latest))
		}
	}
	return out
}

func shownOperators(f *tandemv1.FloorFile, latest time.Time) int {
	sum := 0
	for back := range 3 {
		day := latest.Truncate(24*time.Hour).AddDate(0, 0, -back)
		closed := false
		for _, c := range f.GetClosedDays() {
			closed = closed || c == day.Format(time.DateOnly)
		}
		if closed {
			continue
		}
		for _, s := range f.GetShifts() {
			for _, name := range s.GetDays() {
				if weekdays[day.Weekday()] != name {
					continue
				}
				var fh, fm, th, tm int
				_, _ = fmt.Sscanf(s.GetFrom(), "%d:%d", &fh, &fm)
				_, _ = fmt.Sscanf(s.GetTo(), "%d:%d", &th, &tm)
				begin, end := day.Add(time.Duration(fh*60+fm)*time.Minute), day.Add(time.Duration(th*60+tm)*time.Minute)
				if !end.After(begin) {
					end = end.AddDate(0, 0, 1)
				}
				if !latest.Before(begin) && latest.Before(end) {
					sum += int(s.GetOperators())
				}
			}
		}
	}
	return sum
}

func anyFile(t *rapid.T, day time.Time) *tandemv1.FloorFile {
	f := &tandemv1.FloorFile{TimeZone: rapid.SampledFrom([]string{"", "Europe/Berlin", "America/New_York", "Asia/Kolkata", "Australia/Lord_Howe"}).Draw(t, "zone")}
	for i := range rapid.IntRange(1, 4).Draw(t, "shifts") {
		clock := func(name string, most int) string {
			m := rapid.IntRange(0, most/30).Draw(t, name) * 30
			return fmt.Sprintf("%02d:%02d", m/60, m%60)
		}
		s := &tandemv1.Shift{Id: fmt.Sprintf("shift-%d", i), From: clock("from", dayMinutes-1), To: clock("to", dayMinutes), Operators: rapid.Int32Range(1, 3).Draw(t, "operators")}
		for _, d := range weekdays {
			if rapid.Bool().Draw(t, d) {
				s.Days = append(s.Days, d)
			}
		}
		if len(s.GetDays()) == 0 {
			s.Days = weekdays
		}
		f.Shifts = append(f.Shifts, s)
	}
	for i := range 6 {
		if rapid.IntRange(0, 5).Draw(t, "closed") == 0 {
			f.ClosedDays = append(f.ClosedDays, day.AddDate(0, 0, i-2).Format(time.DateOnly))
		}
	}
	return f
}

// The calendar agrees with a scan of every minute: on any shifts, in zones that change their clocks on other days, by an hour
// or half of one, or never.
func TestAgainstEveryMinute(t *testing.T) {
	days := []string{"2026-03-08", "2026-03-29", "2026-04-05", "2026-06-10", "2026-10-04", "2026-10-25", "2026-11-01", "2026-12-31", "1969-12-31"}
	rapid.Check(t, func(t *rapid.T) {
		day, err := time.Parse(time.DateOnly, rapid.SampledFrom(days).Draw(t, "day"))
		if err != nil {
			t.Fatal(err)
		}
		f := anyFile(t, day)
		if day.Year() < 2000 {
			f.ClosedDays = nil
		}
		c, err := New(f)
		if err != nil {
			t.Fatal(err)
		}
		const minutes = 3 * dayMinutes
		s := newScan(f, c.Location(), day.Add(-12*time.Hour), minutes)
		var sum int
		for m, want := range s.operators {
			if got := c.Operators(s.time(m)); got != want {
				t.Fatalf("%v: %d operators, want %d", s.time(m).In(c.Location()), got, want)
			}
			if want > 0 {
				sum++
			}
		}
		if got := c.Attended(s.time(0), s.time(minutes)); got != time.Duration(sum)*time.Minute {
			t.Fatalf("attended for %v, want %d minutes", got, sum)
		}
		from := rapid.IntRange(0, minutes-1).Draw(t, "from")
		s.checkChange(t, c, from)
		s.checkFit(t, c, from, rapid.IntRange(0, 2*dayMinutes).Draw(t, "needed"), rapid.IntRange(1, 4).Draw(t, "people"))
		n := 0
		for _, w := range c.Windows(s.time(0), s.time(minutes)) {
			for at := w.From; at.Before(w.To); at = at.Add(time.Minute) {
				if m := int(at.Sub(s.from) / time.Minute); s.operators[m] != w.Operators {
					t.Fatalf("a window says %d operators at %v, want %d", w.Operators, at, s.operators[m])
				}
				n++
			}
		}
		if n != sum {
			t.Fatalf("windows of %d minutes, want %d", n, sum)
		}
	})
}

func (s scan) time(m int) time.Time { return s.from.Add(time.Duration(m) * time.Minute) }

func (s scan) checkChange(t *rapid.T, c *Calendar, from int) {
	for m := from + 1; m < len(s.operators); m++ {
		if s.operators[m] != s.operators[from] {
			if got := c.Change(s.time(from)); !got.Equal(s.time(m)) {
				t.Fatalf("from %v it changes at %v, want %v", s.time(from), got, s.time(m))
			}
			return
		}
	}
	if got := c.Change(s.time(from)); !got.IsZero() && got.Before(s.time(len(s.operators))) {
		t.Fatalf("from %v it changes at %v, want later", s.time(from), got)
	}
}

func (s scan) checkFit(t *rapid.T, c *Calendar, from, needed, operators int) {
	got := c.Fit(s.time(from), time.Duration(needed)*time.Minute, operators)
	run := 0
	for m := from; m < len(s.operators); m++ {
		if s.operators[m] < operators {
			run = 0
			continue
		}
		if run++; run >= max(needed, 1) {
			if want := s.time(m + 1 - run); !got.Equal(want) {
				t.Fatalf("%d minutes of %d from %v fit at %v, want %v", needed, operators, s.time(from), got, want)
			}
			return
		}
	}
	if end := s.time(len(s.operators)); !got.IsZero() && !got.Add(time.Duration(needed)*time.Minute).After(end) {
		t.Fatalf("%d minutes of %d from %v fit at %v, want later or never", needed, operators, s.time(from), got)
	}
}
