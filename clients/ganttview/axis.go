package ganttview

import (
	"time"

	"gonum.org/v1/plot"
)

// span is the time that all charts cover, with the zone it is shown in.
type span struct {
	from, to time.Time
	zone     *time.Location
}

// spanOf finds the time from the first begin to the last end. Of what is past, it shows a third as much as of what comes.
func spanOf(p Picture) span {
	s := span{zone: p.Zone}
	if s.zone == nil {
		s.zone = time.UTC
	}
	grow := func(t time.Time) {
		if s.from.IsZero() || t.Before(s.from) {
			s.from = t
		}
		if s.to.IsZero() || t.After(s.to) {
			s.to = t
		}
	}
	var now time.Time
	for _, c := range p.Charts {
		for _, r := range c.Runs {
			grow(r.GetStartTime().AsTime())
			grow(r.GetEndTime().AsTime())
		}
		if !c.Now.IsZero() {
			grow(c.Now)
			if now.IsZero() || c.Now.Before(now) {
				now = c.Now
			}
		}
	}
	if !now.IsZero() {
		if past := now.Add(-max(s.to.Sub(now)/3, time.Minute)); past.After(s.from) {
			s.from = past
		}
	}
	// A due time a little after the end is shown, too.
	limit := s.to.Add(s.to.Sub(s.from) / 6)
	for _, c := range p.Charts {
		for _, r := range c.Runs {
			if due := r.GetDueTime(); due != nil && due.AsTime().Before(limit) && due.AsTime().After(s.to) {
				s.to = due.AsTime()
			}
		}
	}
	if s.to.Sub(s.from) < time.Minute {
		s.to = s.from.Add(time.Minute)
	}
	return s
}

// seconds from the beginning of the axis.
func (s span) seconds(t time.Time) float64 {
	return float64(t.Unix()-s.from.Unix()) + float64(t.Nanosecond()-s.from.Nanosecond())/1e9
}

func (s span) length() float64 { return s.seconds(s.to) }

// clock shows a time as the axis does, with its day if the axis covers more than one.
func (s span) clock(t time.Time) string {
	t = t.In(s.zone)
	from, to := s.from.In(s.zone), s.to.In(s.zone)
	switch {
	case s.years():
		return t.Format("2 Jan 2006 15:04")
	case from.YearDay() != to.YearDay() || t.YearDay() != from.YearDay():
		return t.Format("Mon 2 Jan 15:04")
	default:
		return t.Format("15:04")
	}
}

// years reports whether a day needs its year to be clear.
func (s span) years() bool { return s.length() > 300*24*3600 }

// zoneName says whose clock the axis shows.
func (s span) zoneName() string {
	offset := s.from.In(s.zone).Format("UTC-07:00")
	changes := offset != s.to.In(s.zone).Format("UTC-07:00")
	switch name := s.zone.String(); {
	case name == "UTC":
		return name
	case name != "" && name != "Local" && changes:
		return name
	case name != "" && name != "Local":
		return name + ", " + offset
	case changes:
		return "local time, " + offset + " at the left"
	default:
		return offset
	}
}

// mostTicks is how many of them there is room for.
const mostTicks = 17

// steps between ticks in minutes; from a day on in days.
var (
	minuteSteps = [...]int{1, 2, 5, 10, 15, 30, 60, 2 * 60, 3 * 60, 6 * 60, 12 * 60}
	daySteps    = [...]int{1, 2, 7, 14, 28, 13 * 7, 26 * 7}
)

// ticks are at round times of the clock on the wall, so that summer time moves none of them, with the day below the first
// and below each that begins a day.
func (s span) ticks() []plot.Tick {
	length := s.length()
	for _, m := range minuteSteps {
		if length/float64(60*m) <= mostTicks {
			return s.ticksOfDay(m)
		}
	}
	days := 0
	for _, d := range daySteps {
		if days = d; length/float64(86400*d) <= mostTicks {
			break
		}
	}
	for length/float64(86400*days) > mostTicks {
		days *= 2
	}
	var out []plot.Tick
	form := "Mon 2 Jan"
	if s.years() {
		form = "2 Jan 2006"
	}
	for t := s.midnight(); !t.After(s.to); t = t.AddDate(0, 0, days) {
		if days%7 == 0 && len(out) == 0 {
			for t.Weekday() != time.Monday {
				t = t.AddDate(0, 0, 1)
			}
		}
		out = append(out, plot.Tick{Value: s.seconds(t), Label: t.Format(form)})
	}
	return s.visible(out)
}

// midnight is the one at or before the beginning of the axis.
func (s span) midnight() time.Time {
	y, m, d := s.from.In(s.zone).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, s.zone)
}

func (s span) ticksOfDay(step int) []plot.Tick {
	var out []plot.Tick
	first := true
	y, m, d := s.midnight().Date()
	for day := 0; ; day++ {
		for minute := 0; minute < 24*60; minute += step {
			t := time.Date(y, m, d+day, 0, minute, 0, 0, s.zone)
			if t.Hour()*60+t.Minute() != minute || t.Before(s.from) {
				continue // the clock jumps over it
			}
			if t.After(s.to) {
				return out
			}
			below := " " // as many lines each: else they do not align
			if minute == 0 || first {
				below = t.Format("Mon 2 Jan")
			}
			first = false
			out = append(out, plot.Tick{Value: s.seconds(t), Label: t.Format("15:04") + "\n" + below})
		}
	}
}

func (s span) visible(all []plot.Tick) []plot.Tick {
	var out []plot.Tick
	for _, t := range all {
		if t.Value >= 0 && t.Value <= s.length() {
			out = append(out, t)
		}
	}
	return out
}
