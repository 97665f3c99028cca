package calendar

import (
	"testing"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
)

func newCalendar(t *testing.T, f *tandemv1.FloorFile) *Calendar {
	t.Helper()
	c, err := New(f)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// twoShifts is a shop in Berlin: 07:00 to 15:30 with two people, 14:00 to 22:00 with one, and nobody on the first of May.
func twoShifts() *tandemv1.FloorFile {
	return &tandemv1.FloorFile{
		TimeZone:   "Europe/Berlin",
		ClosedDays: []string{"2026-05-01"},
		Shifts: []*tandemv1.Shift{
			{Id: "early", From: "07:00", To: "15:30", Operators: 2},
			{Id: "late", From: "14:00", To: "22:00"},
		},
	}
}

func at(t *testing.T, c *Calendar, clock string) time.Time {
	t.Helper()
	when, err := time.ParseInLocation("2006-01-02 15:04", clock, c.Location())
	if err != nil {
		t.Fatal(err)
	}
	return when
}

func TestOperators(t *testing.T) {
	c := newCalendar(t, twoShifts())
	for _, tt := range []struct {
		clock string
		want  int
	}{
		{"2026-03-02 06:59", 0},
		{"2026-03-02 07:00", 2},
		{"2026-03-02 13:59", 2},
		{"2026-03-02 14:00", 3}, // both shifts
		{"2026-03-02 15:30", 1},
		{"2026-03-02 22:00", 0},
		{"2026-03-07 10:00", 0}, // Saturday
		{"2026-05-01 10:00", 0}, // closed
		{"2026-05-04 10:00", 2},
	} {
		if got := c.Operators(at(t, c, tt.clock)); got != tt.want {
			t.Errorf("%s: %d operators, want %d", tt.clock, got, tt.want)
		}
	}
}

func TestNextAndChange(t *testing.T) {
	c := newCalendar(t, twoShifts())
	for _, tt := range []struct{ clock, next, change string }{
		{"2026-03-02 05:00", "2026-03-02 07:00", "2026-03-02 07:00"},
		{"2026-03-02 08:10", "2026-03-02 08:10", "2026-03-02 14:00"},
		{"2026-03-02 15:00", "2026-03-02 15:00", "2026-03-02 15:30"},
		{"2026-03-06 22:00", "2026-03-09 07:00", "2026-03-09 07:00"}, // over the weekend
		{"2026-04-30 22:00", "2026-05-04 07:00", "2026-05-04 07:00"}, // a closed Friday and the weekend
	} {
		from := at(t, c, tt.clock)
		if got := c.Next(from); !got.Equal(at(t, c, tt.next)) {
			t.Errorf("%s: next %v, want %s", tt.clock, got.In(c.Location()), tt.next)
		}
		if got := c.Change(from); !got.Equal(at(t, c, tt.change)) {
			t.Errorf("%s: changes %v, want %s", tt.clock, got.In(c.Location()), tt.change)
		}
	}
}

func TestFit(t *testing.T) {
	c := newCalendar(t, twoShifts())
	for _, tt := range []struct {
		clock     string
		needed    time.Duration
		operators int
		want      string
	}{
		{"2026-03-02 08:00", time.Hour, 1, "2026-03-02 08:00"},
		{"2026-03-02 08:00", 14 * time.Hour, 1, "2026-03-02 08:00"}, // across the change of shifts
		{"2026-03-02 08:00", 8 * time.Hour, 2, "2026-03-03 07:00"},
		{"2026-03-02 21:30", time.Hour, 1, "2026-03-03 07:00"},
		{"2026-03-02 08:00", time.Hour, 3, "2026-03-02 14:00"},
		{"2026-03-02 08:00", 16 * time.Hour, 1, ""},
		{"2026-03-02 08:00", time.Minute, 4, ""},
		{"2026-03-07 08:00", time.Hour, 0, "2026-03-07 08:00"}, // nobody is needed
	} {
		got := c.Fit(at(t, c, tt.clock), tt.needed, tt.operators)
		if tt.want == "" {
			if !got.IsZero() {
				t.Errorf("%s: %v for %d fits at %v, want never", tt.clock, tt.needed, tt.operators, got)
			}
		} else if !got.Equal(at(t, c, tt.want)) {
			t.Errorf("%s: %v for %d fits at %v, want %s", tt.clock, tt.needed, tt.operators, got.In(c.Location()), tt.want)
		}
	}
}

// Europe/Berlin changes to summer time on the last Sunday of March at 01:00 UTC, when the clocks go from 02:00 to 03:00, and
// back on the last Sunday of October at 01:00 UTC, from 03:00 to 02:00 (IANA time zone database, rule EU; 2026: 29 March and
// 25 October).
func TestDaysOnWhichTheClocksChange(t *testing.T) {
	night := func(from, to string) *Calendar {
		return newCalendar(t, &tandemv1.FloorFile{TimeZone: "Europe/Berlin", Shifts: []*tandemv1.Shift{
			{Id: "night", Days: []string{"sat", "sun"}, From: from, To: to},
		}})
	}
	utc := func(s string) time.Time {
		when, err := time.Parse("2006-01-02 15:04", s)
		if err != nil {
			t.Fatal(err)
		}
		return when
	}
	for _, tt := range []struct {
		from, to   string
		begin, end string // UTC, of the shift that begins or ends on the Sunday
	}{
		{"22:00", "06:00", "2026-03-28 21:00", "2026-03-29 04:00"}, // 7 hours
		{"22:00", "06:00", "2026-10-24 20:00", "2026-10-25 05:00"}, // 9 hours
		{"02:30", "10:00", "2026-03-29 01:00", "2026-03-29 08:00"}, // 02:30 is left out: the jump
		{"02:30", "10:00", "2026-10-25 00:30", "2026-10-25 09:00"}, // 02:30 comes twice: the first
		{"22:00", "02:30", "2026-03-28 21:00", "2026-03-29 01:00"},
		{"22:00", "02:30", "2026-10-24 20:00", "2026-10-25 00:30"},
		{"06:00", "24:00", "2026-03-29 04:00", "2026-03-29 22:00"},
	} {
		c := night(tt.from, tt.to)
		w := c.Windows(utc(tt.begin).Add(-time.Hour), utc(tt.end).Add(time.Hour))
		if len(w) != 1 || !w[0].From.Equal(utc(tt.begin)) || !w[0].To.Equal(utc(tt.end)) {
			t.Errorf("%s to %s: %v, want %s to %s", tt.from, tt.to, w, tt.begin, tt.end)
		}
	}
}

// A closed day has no shift of its own and keeps the end of the night before.
func TestANightBelongsToTheDayOnWhichItBegins(t *testing.T) {
	c := newCalendar(t, &tandemv1.FloorFile{ClosedDays: []string{"2026-03-04"}, Shifts: []*tandemv1.Shift{{Id: "night", From: "22:00", To: "06:00"}}})
	w := c.Windows(at(t, c, "2026-03-03 12:00"), at(t, c, "2026-03-06 12:00"))
	want := []Window{
		{at(t, c, "2026-03-03 22:00"), at(t, c, "2026-03-04 06:00"), 1},
		{at(t, c, "2026-03-05 22:00"), at(t, c, "2026-03-06 06:00"), 1},
	}
	if len(w) != len(want) {
		t.Fatalf("windows %v, want %v", w, want)
	}
	for i := range w {
		if !w[i].From.Equal(want[i].From) || !w[i].To.Equal(want[i].To) {
			t.Errorf("window %d: %v, want %v", i, w[i], want[i])
		}
	}
	if got, wanted := c.Attended(at(t, c, "2026-03-03 23:00"), at(t, c, "2026-03-05 23:30")), 8*time.Hour+30*time.Minute; got != wanted {
		t.Errorf("attended for %v, want %v", got, wanted)
	}
}

func TestWithoutShiftsThereIsAlwaysSomebody(t *testing.T) {
	c := newCalendar(t, &tandemv1.FloorFile{})
	now := at(t, c, "2026-03-07 03:00")
	if c.Limited() || c.Operators(now) != Unlimited || !c.Next(now).Equal(now) || !c.Change(now).IsZero() || !c.Fit(now, 1000*time.Hour, 50).Equal(now) {
		t.Errorf("%d operators, next %v, changes %v", c.Operators(now), c.Next(now), c.Change(now))
	}
	if got := c.Attended(now, now.Add(time.Hour)); got != time.Hour {
		t.Errorf("attended for %v of an hour", got)
	}
}

// Shifts that meet all the week round never change, and any work fits.
func TestRoundTheClock(t *testing.T) {
	c := newCalendar(t, &tandemv1.FloorFile{TimeZone: "Europe/Berlin", Shifts: []*tandemv1.Shift{
		{Id: "day", Days: weekdays, From: "06:00", To: "18:00"}, {Id: "night", Days: weekdays, From: "18:00", To: "06:00"},
	}})
	now := at(t, c, "2026-03-07 03:00")
	if got := c.Change(now); !got.IsZero() {
		t.Errorf("changes %v, want never", got)
	}
	if got := c.Fit(now, 1000*time.Hour, 1); !got.Equal(now) {
		t.Errorf("1000 h fit at %v, want now", got)
	}
	if got := c.Fit(now, time.Hour, 2); !got.IsZero() {
		t.Errorf("an hour of two fits at %v, want never", got)
	}
}

func TestDeviation(t *testing.T) {
	c := newCalendar(t, twoShifts())
	d := c.With(Deviation{From: at(t, c, "2026-03-02 21:00"), Until: at(t, c, "2026-03-02 23:30"), Operators: 2})
	if got := d.Operators(at(t, c, "2026-03-02 23:00")); got != 2 {
		t.Errorf("%d operators in overtime, want 2", got)
	}
	if got := d.Fit(at(t, c, "2026-03-02 07:00"), 16*time.Hour, 1); !got.Equal(at(t, c, "2026-03-02 07:00")) {
		t.Errorf("16 h fit at %v, want 07:00 until the end of overtime", got)
	}
	if got := d.Fit(at(t, c, "2026-03-03 06:00"), 16*time.Hour, 1); !got.IsZero() {
		t.Errorf("16 h fit at %v, want never again", got)
	}
	ill := c.With(Deviation{From: at(t, c, "2026-03-02 08:00"), Until: at(t, c, "2026-03-04 12:00"), Operators: 0})
	if got := ill.Next(at(t, c, "2026-03-02 09:00")); !got.Equal(at(t, c, "2026-03-04 12:00")) {
		t.Errorf("next %v, want when the deviation ends", got)
	}
	if got := ill.Change(at(t, c, "2026-03-02 07:30")); !got.Equal(at(t, c, "2026-03-02 08:00")) {
		t.Errorf("changes %v, want when the deviation begins", got)
	}
	if none := d.With(Deviation{}); none.Operators(at(t, c, "2026-03-02 23:00")) != 0 {
		t.Error("a deviation taken back still counts")
	}
	free := newCalendar(t, &tandemv1.FloorFile{})
	now := at(t, free, "2026-03-02 09:00")
	short := free.With(Deviation{From: now, Until: now.Add(time.Hour), Operators: 1})
	if got := short.Fit(now, time.Minute, 2); !got.Equal(now.Add(time.Hour)) {
		t.Errorf("two are there at %v, want after the deviation", got)
	}
}
