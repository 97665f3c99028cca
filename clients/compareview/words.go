package compareview

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// Estimate shows a mean and its interval: 9 h 12 min (8 h 50 min to 9 h 31 min). An interval that shows nothing is left out.
func Estimate(e *tandemv1.Estimate, show func(float64) string) string {
	if e == nil {
		return "-"
	}
	mean, low, high := show(e.GetMean()), show(e.GetLow()), show(e.GetHigh())
	if low == high {
		return mean
	}
	return mean + " (" + low + " to " + high + ")"
}

// Than shows a difference in time: 1 h 20 min less than harbour (1 h 5 min to 1 h 40 min). One whose interval holds zero is
// no difference that one could count on.
func Than(e *tandemv1.Estimate, first string) string {
	mean, low, high := e.GetMean(), e.GetLow(), e.GetHigh()
	word := "more"
	if mean < 0 {
		mean, low, high, word = -mean, -high, -low, "less"
	}
	text := Seconds(mean) + " " + word + " than " + first
	switch {
	case Seconds(mean) == Seconds(0) && Seconds(low) == Seconds(high):
		return "as " + first
	case low < 0 && high > 0:
		return text + ", which may be chance"
	case Seconds(low) == Seconds(high):
		return text
	}
	return text + " (" + Seconds(low) + " to " + Seconds(high) + ")"
}

// Seconds shows a time given in seconds; up to some days in hours and minutes, in which floors differ.
func Seconds(s float64) string {
	if math.IsNaN(s) || math.Abs(s) > math.MaxInt64/1e9 {
		return "-"
	}
	d := time.Duration(s * float64(time.Second))
	if minutes := d.Round(time.Minute); minutes > 24*time.Hour && minutes < 100*time.Hour {
		return strings.TrimSuffix(fmt.Sprintf("%d h %d min", minutes/time.Hour, minutes%time.Hour/time.Minute), " 0 min")
	}
	return wording.Span(d)
}

// Percent shows a share.
func Percent(share float64) string {
	if math.IsNaN(share) || math.IsInf(share, 0) {
		return "-"
	}
	digits := 0
	if share > -0.1 && share < 0.1 {
		digits = 1
	}
	return trimmed(share*100, digits) + " %"
}

// Figure shows a number with about three digits.
func Figure(v float64) string {
	switch abs := math.Abs(v); {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return "-"
	case abs >= 100:
		return trimmed(v, 0)
	case abs >= 10:
		return trimmed(v, 1)
	default:
		return trimmed(v, 2)
	}
}

func trimmed(v float64, digits int) string {
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		return "0"
	}
	return s
}

// Money shows a whole amount with a comma before each three digits.
func Money(v float64) string {
	if math.IsNaN(v) || math.Abs(v) > 1e15 {
		return "-"
	}
	s := strconv.FormatInt(int64(math.Round(math.Abs(v))), 10)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	if v <= -0.5 {
		return "-" + s
	}
	return s
}

// Years shows a time in years, or in months if it is shorter.
func Years(v float64) string {
	switch {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return "-"
	case v >= 0 && v < 1.5:
		return fmt.Sprintf("%s months", Figure(v*12))
	default:
		return Figure(v) + " years"
	}
}
