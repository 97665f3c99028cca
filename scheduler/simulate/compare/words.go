package compare

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// span writes a length of time given in seconds as people say it: "5 d 4 h", "15 h 50 min", "12 min", "40 s".
func span(seconds float64) string {
	d := time.Duration(math.Abs(seconds) * float64(time.Second))
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	case d < 100*time.Hour:
		d = d.Round(time.Minute)
		return fmt.Sprintf("%d h %02d min", d/time.Hour, d%time.Hour/time.Minute)
	}
	d = d.Round(time.Hour)
	return fmt.Sprintf("%d d %d h", d/(24*time.Hour), d%(24*time.Hour)/time.Hour)
}

// percent writes a share.
func percent(share float64) string {
	p := 100 * share
	if math.Abs(p) < 10 {
		return fmt.Sprintf("%.1f %%", p)
	}
	return fmt.Sprintf("%.0f %%", p)
}

// amount writes money with its currency, rounded to what matters.
func amount(v float64, currency string) string {
	sign := ""
	if v < 0 {
		sign, v = "-", -v
	}
	var s string
	if v < 100 && v != math.Round(v) {
		s = fmt.Sprintf("%.2f", v)
	} else {
		s = fmt.Sprintf("%.0f", v)
		for i := len(s) - 3; i > 0; i -= 3 {
			s = s[:i] + "," + s[i:]
		}
	}
	if currency == "" {
		return sign + s
	}
	return sign + s + " " + currency
}

// oneDecimal writes a number of years.
func oneDecimal(v float64) string {
	switch {
	case math.IsInf(v, 1):
		return "never"
	case v > 100:
		return "more than 100"
	}
	return fmt.Sprintf("%.1f", v)
}

// list writes names: "a", "a and b", "a, b and c".
func list(names []string) string {
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}

func plural(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}
