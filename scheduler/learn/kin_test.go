package learn

import (
	"math"
	"testing"
)

// The nearer the relatives, the less they leave open: tau^2 = (3*share*0.16 + apart)/(3+k-1), and that times 1+1/k, worked
// out by hand for k = 2 keys that took exactly as long and for two that are 0.4 apart (2*0.2^2 = 0.08 about their mean).
func TestWhatRelativesLeaveOpen(t *testing.T) {
	prior := Prior{Between: 0.4, Within: 0.25}
	for _, c := range []struct {
		name     string
		relative [2]Key
		from     Relation
		apart    float64
		between  float64
	}{
		{"modes alike", [2]Key{{"a", "print", "x"}, {"a", "print", "y"}}, OtherModes, 0, 0.12 / 4 * 1.5},
		{"modes apart", [2]Key{{"a", "print", "x"}, {"a", "print", "y"}}, OtherModes, 0.4, 0.2 / 4 * 1.5},
		{"devices alike", [2]Key{{"b", "print", "x"}, {"c", "print", "y"}}, OtherDevices, 0, 0.24 / 4 * 1.5},
		{"devices apart", [2]Key{{"b", "print", "x"}, {"c", "print", "y"}}, OtherDevices, 0.4, 0.32 / 4 * 1.5},
		{"operations alike", [2]Key{{"a", "cut", "x"}, {"a", "weed", ""}}, OtherOperations, 0, 0.384 / 4 * 1.5},
		{"operations apart: no help", [2]Key{{"a", "cut", "x"}, {"a", "weed", ""}}, Nobody, 0.4, 0.16},
	} {
		m := New(func(string) Prior { return prior })
		for i, k := range c.relative {
			for range fullWeight {
				learnRatio(t, m, k, math.Exp(0.3+c.apart*(float64(i)-0.5)))
			}
		}
		m.settle()
		got := m.kin.expect(Key{"a", "print", ""}, sums{}, prior)
		location := 0.3
		if c.from == Nobody {
			location = 0
		}
		if got.from != c.from || math.Abs(got.between-c.between) > 1e-5 || math.Abs(got.location-location) > 1e-5 {
			t.Errorf("%s: got %+v, want location %v, variance %v, from %v", c.name, got, location, c.between, c.from)
		}
	}
}
