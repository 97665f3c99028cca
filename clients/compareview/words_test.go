package compareview

import (
	"math"
	"testing"

	tandemv1 "tandem/proto/tandem/v1"
)

func around(mean, by float64) *tandemv1.Estimate {
	return &tandemv1.Estimate{Mean: mean, Low: mean - by, High: mean + by}
}

func TestComparisonWords(t *testing.T) {
	for _, tt := range []struct{ got, want string }{
		{Than(around(-5400, 900), "a"), "1 h 30 min less than a (1 h 15 min to 1 h 45 min)"},
		{Than(around(600, 0), "a"), "10 min more than a"},
		{Than(around(600, 900), "a"), "10 min more than a, which may be chance"},
		{Than(around(0, 0), "a"), "as a"},
		{Than(around(-0.2, 0.1), "a"), "as a"},
		{Estimate(nil, Percent), "-"},
		{Estimate(around(0.12, 0.04), Percent), "12 % (8 % to 16 %)"},
		{Estimate(around(0.12, 0), Percent), "12 %"},
		{Percent(0.034), "3.4 %"},
		{Percent(0), "0 %"},
		{Percent(math.NaN()), "-"},
		{Seconds(math.Inf(1)), "-"},
		{Seconds(-90), "-2 min"},
		{Seconds(24 * 3600), "1 d"},
		{Seconds(36*3600 + 38*60), "36 h 38 min"},
		{Seconds(48*3600 + 10), "48 h"},
		{Seconds(123 * 3600), "5 d 3 h"},
		{Figure(1234.6), "1235"},
		{Figure(12.34), "12.3"},
		{Figure(0.5), "0.5"},
		{Figure(-0.001), "0"},
		{Money(1234567.5), "1,234,568"},
		{Money(-950), "-950"},
		{Money(-0.2), "0"},
		{Years(0.417), "5 months"},
		{Years(2.34), "2.34 years"},
	} {
		if tt.got != tt.want {
			t.Errorf("got %q, want %q", tt.got, tt.want)
		}
	}
}
