package config

import (
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
)

func attended() *tandemv1.FloorFile {
	f := goodFloor()
	f.TimeZone = "Europe/Berlin"
	f.Shifts = []*tandemv1.Shift{{Id: "early", From: "06:00", To: "14:30", Operators: 2}, {Id: "late", Days: []string{"mon", "sat"}, From: "13:30", To: "22:00"}}
	f.ClosedDays = []string{"2026-12-25"}
	f.Money = &tandemv1.Money{Currency: "EUR", OperatorHour: 40, MarginHour: 120, LateHour: 15, YearHours: 4000}
	f.Devices[0].Price, f.Devices[0].RunningHour = 20_000, 3.5
	f.Devices[0].Abilities[1].Attendance = tandemv1.Attendance_ATTENDANCE_WHOLE
	f.Devices[0].Abilities[1].Unload = durationpb.New(2 * time.Minute)
	return f
}

func TestCheckPeople(t *testing.T) {
	type file = tandemv1.FloorFile
	if p := CheckFloor(attended(), fakeKinds); len(p) > 0 {
		t.Fatalf("a good floor: %v", p)
	}
	for _, tt := range []struct {
		change func(*file)
		want   string // beginning of the only problem
	}{
		{func(f *file) { f.Shifts[0].Id = "" }, "shifts[0].id: is missing"},
		{func(f *file) { f.Shifts[1].Id = "early" }, "shifts[1].id: \"early\" is the id of shifts[0] too"},
		{func(f *file) { f.Shifts[1].Days[1] = "samedi" }, "shifts[1].days[1]: \"samedi\" is not a day; use mon"},
		{func(f *file) { f.Shifts[0].From = "6" }, "shifts[0].from: \"6\" is not a time of day; write"},
		{func(f *file) { f.Shifts[0].To = "25:00" }, "shifts[0].to: \"25:00\" is not a time of day; write"},
		{func(f *file) { f.Shifts[0].Operators = -2 }, "shifts[0].operators: is -2; give"},
		{func(f *file) { f.ClosedDays[0] = "25.12." }, "closed_days[0]: \"25.12.\" is not a date; write it as YYYY-MM-DD"},
		{func(f *file) { f.Shifts = nil }, "closed_days: means nothing without shifts"},
		{func(f *file) { f.TimeZone = "Harbour/Quay" }, "time_zone: \"Harbour/Quay\" is not a name"},
		{func(f *file) { f.Shifts = make([]*tandemv1.Shift, mostShifts+1) }, "shifts: has 1001 entries; at most 1000"},
		{func(f *file) { f.Money.OperatorHour = -1 }, "money.operator_hour: is -1; give an amount from 0"},
		{func(f *file) { f.Money.MarginHour = math.NaN() }, "money.margin_hour: is NaN"},
		{func(f *file) { f.Money.LateHour = 1e12 }, "money.late_hour: is 1e+12"},
		{func(f *file) { f.Money.YearHours = 9000 }, "money.year_hours: is 9000; give 0 to 8784 hours"},
		{func(f *file) { f.Money.Currency = "" }, "money.currency: is missing"},
		{func(f *file) { f.Devices[0].Price = -1 }, "devices[0].price: is -1"},
		{func(f *file) { f.Devices[0].RunningHour = -1 }, "devices[0].running_hour: is -1"},
		{func(f *file) { f.Devices[0].Abilities[1].Attendance = 9 }, "devices[0].abilities[1].attendance: 9 is no way"},
		{func(f *file) { f.Devices[0].Abilities[1].Attendance = tandemv1.Attendance_ATTENDANCE_NONE }, "devices[0].abilities[1].attendance: without unattended_start"},
		{func(f *file) { f.Devices[1].Abilities[0].Attendance = tandemv1.Attendance_ATTENDANCE_WHOLE }, "devices[1].abilities[0].attendance: drying needs nobody; remove it"},
		{func(f *file) { f.Devices[1].Abilities[0].Unload = durationpb.New(time.Minute) }, "devices[1].abilities[0].unload: drying needs nobody"},
		{func(f *file) { f.Devices[0].Abilities[1].Unload = durationpb.New(-time.Minute) }, "devices[0].abilities[1].unload: is not between"},
		{func(f *file) { f.Devices[0].Capacity = 2 }, "devices[0].abilities[1].unload: is for devices that hold one run at a time"},
	} {
		f := attended()
		tt.change(f)
		p := CheckFloor(f, fakeKinds)
		if len(p) != 1 || !strings.HasPrefix(p[0].String(), tt.want) {
			t.Errorf("%v, want %s...", p, tt.want)
		}
	}
}

// What a floor file says of people and money is in force, and not left on the way.
func TestNormaliseKeepsPeopleAndMoney(t *testing.T) {
	f := attended()
	got := Normalise(f, fakeKinds)
	got.People, f.People = nil, nil
	for i, d := range got.GetDevices() {
		d.Driver, d.Capacity = f.GetDevices()[i].GetDriver(), f.GetDevices()[i].GetCapacity()
	}
	if !proto.Equal(f, got) {
		t.Errorf("normalised as\n%v\nfrom\n%v", got, f)
	}
}
