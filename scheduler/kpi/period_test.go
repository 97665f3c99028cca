package kpi

import (
	"fmt"
	"testing"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
)

func clock(t *testing.T, zone, text string) time.Time {
	t.Helper()
	loc, err := time.LoadLocation(zone)
	if err != nil {
		t.Fatal(err)
	}
	out, err := time.ParseInLocation("2006-01-02 15:04", text, loc)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// Days on which the clocks change, by the IANA time zone database: in Berlin 2026-03-29 has 23 hours and 2026-10-25 has 25; on Lord
// Howe Island the clocks change by half an hour, on 2026-04-05 and 2026-10-04; in Cairo, on 2026-04-24, at midnight itself.
func TestDaysHaveTheirTrueHours(t *testing.T) {
	for _, c := range []struct {
		zone, day string
		want      time.Duration
	}{
		{"Europe/Berlin", "2026-03-28", 24 * time.Hour},
		{"Europe/Berlin", "2026-03-29", 23 * time.Hour},
		{"Europe/Berlin", "2026-10-25", 25 * time.Hour},
		{"Australia/Lord_Howe", "2026-04-05", 24*time.Hour + 30*time.Minute},
		{"Australia/Lord_Howe", "2026-10-04", 23*time.Hour + 30*time.Minute},
		{"Africa/Cairo", "2026-04-24", 23 * time.Hour},
		{"UTC", "2026-03-29", 24 * time.Hour},
	} {
		from := clock(t, c.zone, c.day+" 12:00").AddDate(0, 0, -2)
		p := Past{Interval: Interval{from.UTC(), from.AddDate(0, 0, 4).UTC()}, Floors: []Floor{{File: &tandemv1.FloorFile{TimeZone: c.zone}}}}
		parts, err := p.Parts(Days)
		if err != nil {
			t.Fatal(err)
		}
		if len(parts) != 5 {
			t.Fatalf("%s %s: %d days, want 5", c.zone, c.day, len(parts))
		}
		if got := parts[2].Length(); got != c.want {
			t.Errorf("%s %s has %v, want %v", c.zone, c.day, got, c.want)
		}
		for i := range parts[1:] {
			if !parts[i].To.Equal(parts[i+1].From) {
				t.Errorf("%s: a gap after %v", c.zone, parts[i].To)
			}
		}
	}
}

func TestWeeksBeginOnMonday(t *testing.T) {
	p := Past{
		Interval: Interval{clock(t, "Europe/Berlin", "2026-03-25 10:00").UTC(), clock(t, "Europe/Berlin", "2026-04-07 10:00").UTC()},
		Floors:   []Floor{{File: &tandemv1.FloorFile{TimeZone: "Europe/Berlin"}}},
	}
	parts, err := p.Parts(Weeks)
	if err != nil || len(parts) != 3 {
		t.Fatal(parts, err)
	}
	zone := p.Zone()
	if got := parts[1].From.In(zone).Format("Mon 2006-01-02 15:04"); got != "Mon 2026-03-30 00:00" {
		t.Errorf("the second week begins on %s", got)
	}
	if got := parts[0].To.Sub(clock(t, "Europe/Berlin", "2026-03-23 00:00")); got != 7*24*time.Hour-time.Hour {
		t.Errorf("the week in which the clocks go forward ends after %v", got)
	}
}

func TestShiftsOfTheNightTheClocksChange(t *testing.T) {
	file := &tandemv1.FloorFile{TimeZone: "Europe/Berlin", ClosedDays: []string{"2026-03-27"}, Shifts: []*tandemv1.Shift{
		{Id: "day", From: "08:00", To: "16:00"}, {Id: "night", Days: []string{"sat"}, From: "22:00", To: "06:00"},
	}}
	p := Past{
		Interval: Interval{clock(t, "Europe/Berlin", "2026-03-26 12:00").UTC(), clock(t, "Europe/Berlin", "2026-03-31 00:00").UTC()},
		Floors:   []Floor{{File: file}},
	}
	parts, err := p.Parts(Shifts)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, s := range parts {
		got = append(got, fmt.Sprintf("%s %s %v", s.Shift, s.From.In(p.Zone()).Format("Mon 15:04"), s.Length()))
	}
	want := []string{"day Thu 12:00 4h0m0s", "night Sat 22:00 7h0m0s", "day Mon 08:00 8h0m0s"}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("shifts %q, want %q", got, want)
	}
	p.Floors[0].File = &tandemv1.FloorFile{}
	if _, err := p.Parts(Shifts); err == nil {
		t.Error("a floor without shifts was divided by them")
	}
}

// The shop's hours follow the floor file and the word on who is there that held at each time.
func TestPlannedHours(t *testing.T) {
	shift := func(from, to string) *tandemv1.FloorFile {
		return &tandemv1.FloorFile{Shifts: []*tandemv1.Shift{{Id: "day", From: from, To: to}}}
	}
	h := time.Hour
	p := Past{
		Interval: Interval{at(0), at(72 * h)}, // Monday to Wednesday
		Floors:   []Floor{{From: at(-100 * h), File: shift("08:00", "16:00")}, {From: at(48 * h), File: shift("06:00", "10:00")}},
		People: []People{
			{From: at(15 * h), Until: at(20 * h), Operators: 2}, // overtime on Monday until 18:00, then nobody after all
			{From: at(18 * h), Until: at(34 * h)},               // and nobody until 10:00 on Tuesday
			{From: at(55 * h), Until: at(60 * h)},               // Wednesday: ill at 07:00, back at 08:00
			{From: at(56 * h)},
		},
	}
	got, err := p.Planned()
	if err != nil {
		t.Fatal(err)
	}
	want := []Interval{{at(8 * h), at(18 * h)}, {at(34 * h), at(40 * h)}, {at(54 * h), at(55 * h)}, {at(56 * h), at(58 * h)}}
	if len(got) != len(want) {
		t.Fatalf("hours %v, want %v", got, want)
	}
	for i := range want {
		if !got[i].From.Equal(want[i].From) || !got[i].To.Equal(want[i].To) {
			t.Errorf("hours %d: %v, want %v", i, got[i], want[i])
		}
	}
}

func TestNight(t *testing.T) {
	h := time.Hour
	file := &tandemv1.FloorFile{Shifts: []*tandemv1.Shift{{Id: "morning", From: "08:00", To: "12:00"}, {Id: "noon", From: "13:00", To: "17:00"}}}
	for _, c := range []struct {
		now      time.Duration // from Monday 00:00
		from, to time.Duration
	}{
		{30 * h, 17 * h, 30 * h},                    // Tuesday 06:00: since Monday evening
		{33 * h, 17 * h, 32 * h},                    // Tuesday 09:00: the night before
		{38 * h, 17 * h, 32 * h},                    // Tuesday 14:00: a break at noon is none
		{7*24*h + 9*h, 4*24*h + 17*h, 7*24*h + 8*h}, // Monday morning: since Friday
	} {
		got, ok := Night(file, nil, at(c.now))
		if !ok || !got.From.Equal(at(c.from)) || !got.To.Equal(at(c.to)) {
			t.Errorf("at %v: %v to %v (%v), want %v to %v", c.now, got.From, got.To, ok, at(c.from), at(c.to))
		}
	}
	if _, ok := Night(&tandemv1.FloorFile{}, nil, at(0)); ok {
		t.Error("a night of a shop without shifts")
	}
}

func TestSpread(t *testing.T) {
	// Nearest rank, by hand: of 1 to 10 the fifth and the ninth.
	var list []time.Duration
	for i := range 10 {
		list = append(list, time.Duration(10-i)*time.Minute)
	}
	if got, want := NewSpread(list), (Spread{10, 5*time.Minute + 30*time.Second, 5 * time.Minute, 9 * time.Minute}); got != want {
		t.Errorf("spread %+v, want %+v", got, want)
	}
	if got := NewSpread(list[:1]); got.P50 != 10*time.Minute || got.P90 != 10*time.Minute {
		t.Errorf("of one: %+v", got)
	}
	if NewSpread(nil) != (Spread{}) {
		t.Error("of none")
	}
}
