package wording

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"
)

// Clock shows times as they are seen from one moment in one zone.
type Clock struct {
	// Now is the present moment of the floor.
	Now time.Time
	// Zone is where the reader is.
	Zone *time.Location
}

// At shows a time as short as it stays clear: 14:30 today, Tue 14:30 within six days, else with its date. A time that
// is not set is shown as a dash.
func (c Clock) At(ts *timestamppb.Timestamp) string {
	if ts == nil {
		return "-"
	}
	t, now := ts.AsTime().In(c.Zone), c.Now.In(c.Zone)
	switch days := dayNumber(t) - dayNumber(now); {
	case days == 0:
		return t.Format("15:04")
	case -6 <= days && days <= 6:
		return t.Format("Mon 15:04")
	default:
		return t.Format("2006-01-02 15:04")
	}
}

// dayNumber counts the days of the calendar, whatever the zone's summer time does to their length.
func dayNumber(t time.Time) int {
	y, m, d := t.Date()
	return int(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400)
}

// When shows a time and how far away it is: 14:30 (in 12 min).
func (c Clock) When(ts *timestamppb.Timestamp) string {
	if ts == nil {
		return "-"
	}
	return fmt.Sprintf("%s (%s)", c.At(ts), c.Away(ts))
}

// Away shows how far away a time is: in 12 min, 3 h 5 min ago, now.
func (c Clock) Away(ts *timestamppb.Timestamp) string {
	switch d := ts.AsTime().Sub(c.Now).Round(time.Second); {
	case ts == nil:
		return "-"
	case d > 0:
		return "in " + Span(d)
	case d < 0:
		return Span(-d) + " ago"
	default:
		return "now"
	}
}

// Past reports whether a time is set and gone.
func (c Clock) Past(ts *timestamppb.Timestamp) bool {
	return ts != nil && ts.AsTime().Before(c.Now)
}

// Span shows a length of time in at most two units: 45 s, 12 min, 3 h 5 min, 2 d 4 h. The shape of a negative one is
// that of a positive one behind a minus sign.
func Span(d time.Duration) string {
	if d < 0 {
		return "-" + Span(-d)
	}
	switch {
	case d.Round(time.Second) < time.Minute:
		return fmt.Sprintf("%d s", d.Round(time.Second)/time.Second)
	case d.Round(time.Minute) < time.Hour:
		return fmt.Sprintf("%d min", d.Round(time.Minute)/time.Minute)
	case d.Round(time.Minute) < 24*time.Hour:
		return units(d.Round(time.Minute), time.Hour, "h", time.Minute, "min")
	default:
		return units(d.Round(time.Hour), 24*time.Hour, "d", time.Hour, "h")
	}
}

func units(d, large time.Duration, largeName string, small time.Duration, smallName string) string {
	if d%large == 0 {
		return fmt.Sprintf("%d %s", d/large, largeName)
	}
	return fmt.Sprintf("%d %s %d %s", d/large, largeName, d%large/small, smallName)
}
