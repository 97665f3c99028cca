package config

import (
	"fmt"
	"math"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/calendar"
)

const (
	mostShifts = 1000
	mostClosed = 10_000
	mostMoney  = 1e9
)

// shifts checks when people are there.
func (c *check) shifts(f *tandemv1.FloorFile) {
	c.count("shifts", len(f.GetShifts()), mostShifts)
	c.count("closed_days", len(f.GetClosedDays()), mostClosed)
	if len(f.GetShifts()) > mostShifts || len(f.GetClosedDays()) > mostClosed {
		return
	}
	seen := map[string]int{}
	for i, s := range f.GetShifts() {
		c.unique(seen, "shifts", i, s.GetId())
	}
	for _, bad := range calendar.Check(f) {
		c.add(bad.Field, "%s", bad.Message)
	}
	if len(f.GetClosedDays()) > 0 && len(f.GetShifts()) == 0 {
		c.add("closed_days", "means nothing without shifts; add shifts, or remove it")
	}
}

// attendance checks how long a device needs a person.
func (c *check) attendance(field string, d *tandemv1.Device, a *tandemv1.Ability) {
	at := field + ".attendance"
	switch v := a.GetAttendance(); {
	case tandemv1.Attendance_name[int32(v)] == "":
		c.add(at, "%d is no way of attending; use ATTENDANCE_NONE, ATTENDANCE_BEGIN_AND_END or ATTENDANCE_WHOLE, or leave it out", v)
	case a.GetOperation() == opDry && v != tandemv1.Attendance_ATTENDANCE_UNSPECIFIED && v != tandemv1.Attendance_ATTENDANCE_NONE:
		c.add(at, "drying needs nobody; remove it")
	case v == tandemv1.Attendance_ATTENDANCE_NONE && a.GetOperation() != opDry && a.GetUnattendedStart() == nil:
		c.add(at, "without unattended_start a person starts every run; add unattended_start, or remove attendance")
	}
	c.duration(field+".unload", a.GetUnload())
	switch {
	case a.GetUnload().AsDuration() == 0:
	case a.GetOperation() == opDry:
		c.add(field+".unload", "drying needs nobody; remove it")
	case d.GetCapacity() > 1:
		c.add(field+".unload", "is for devices that hold one run at a time; remove it, or describe each place as a device")
	}
}

// money checks what an hour is worth.
func (c *check) money(m *tandemv1.Money) {
	c.text("money.currency", m.GetCurrency())
	c.amount("money.operator_hour", m.GetOperatorHour())
	c.amount("money.margin_hour", m.GetMarginHour())
	c.amount("money.late_hour", m.GetLateHour())
	const year = 366 * 24
	if h := m.GetYearHours(); math.IsNaN(h) || h < 0 || h > year {
		c.add("money.year_hours", "is %g; give 0 to %d hours, or leave it out: the shifts say it", h, year)
	}
	if m.GetCurrency() == "" && m.GetOperatorHour()+m.GetMarginHour()+m.GetLateHour() > 0 {
		c.add("money.currency", "is missing; name the currency of the amounts, such as EUR")
	}
}

// amount checks a sum of money.
func (c *check) amount(field string, v float64) {
	if math.IsNaN(v) || v < 0 || v > mostMoney {
		c.add(field, "is %g; give an amount from 0 to %s", v, fmt.Sprintf("%.0f", mostMoney))
	}
}
