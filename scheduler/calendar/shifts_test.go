package calendar

import (
	"strings"
	"testing"

	tandemv1 "tandem/proto/tandem/v1"
)

func TestCheck(t *testing.T) {
	shift := func(change func(*tandemv1.Shift)) *tandemv1.FloorFile {
		s := &tandemv1.Shift{Id: "day", From: "07:00", To: "15:30"}
		change(s)
		return &tandemv1.FloorFile{Shifts: []*tandemv1.Shift{s}}
	}
	for _, tt := range []struct {
		file *tandemv1.FloorFile
		want string // beginning of the error; empty: none
	}{
		{shift(func(*tandemv1.Shift) {}), ""},
		{shift(func(s *tandemv1.Shift) { s.To = "24:00" }), ""},
		{shift(func(s *tandemv1.Shift) { s.To = "07:00" }), ""}, // round the clock
		{shift(func(s *tandemv1.Shift) { s.From = "" }), "shifts[0].from: is missing"},
		{shift(func(s *tandemv1.Shift) { s.From = "24:00" }), "shifts[0].from: \"24:00\""},
		{shift(func(s *tandemv1.Shift) { s.From = "7:00" }), "shifts[0].from: \"7:00\""},
		{shift(func(s *tandemv1.Shift) { s.From = "+7:00" }), "shifts[0].from"},
		{shift(func(s *tandemv1.Shift) { s.From = "07:60" }), "shifts[0].from"},
		{shift(func(s *tandemv1.Shift) { s.To = "24:01" }), "shifts[0].to"},
		{shift(func(s *tandemv1.Shift) { s.Days = []string{"monday"} }), "shifts[0].days[0]: \"monday\" is not a day; use mon"},
		{shift(func(s *tandemv1.Shift) { s.Days = []string{"mon", "mon"} }), "shifts[0].days[1]: mon is named twice"},
		{shift(func(s *tandemv1.Shift) { s.Operators = -1 }), "shifts[0].operators: is -1"},
		{&tandemv1.FloorFile{ClosedDays: []string{"1.5.2026"}}, "closed_days[0]: \"1.5.2026\" is not a date"},
		{&tandemv1.FloorFile{ClosedDays: []string{"2026-02-29"}}, "closed_days[0]"},
		{&tandemv1.FloorFile{ClosedDays: []string{"2026-05-01", "2026-05-01"}}, "closed_days[1]: 2026-05-01 is named twice"},
		{&tandemv1.FloorFile{ClosedDays: []string{"0026-05-01"}}, "closed_days[0]: 0026-05-01 is not between"},
		{&tandemv1.FloorFile{TimeZone: "Berlin"}, "time_zone: \"Berlin\" is not a name"},
		{&tandemv1.FloorFile{TimeZone: "Local"}, "time_zone: \"Local\""},
		{&tandemv1.FloorFile{TimeZone: "UTC"}, ""},
	} {
		_, err := New(tt.file)
		switch {
		case tt.want == "" && err != nil:
			t.Errorf("%v: %v", tt.file, err)
		case tt.want != "" && (err == nil || !strings.HasPrefix(err.Error(), tt.want)):
			t.Errorf("%v: %v, want %s...", tt.file, err, tt.want)
		}
	}
}

func BenchmarkOperators(b *testing.B) {
	c, err := New(&tandemv1.FloorFile{TimeZone: "Europe/Berlin", Shifts: []*tandemv1.Shift{{From: "07:00", To: "15:30"}, {From: "14:00", To: "22:00"}}})
	if err != nil {
		b.Fatal(err)
	}
	now := c.Next(c.shifts.lastClosed.AddDate(2025, 0, 0))
	for b.Loop() {
		c.Operators(now)
	}
}
