package physics

import (
	"errors"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %v, want %v within %v", what, got, want, within)
	}
}

func wantField(t *testing.T, what string, err error, field string) {
	t.Helper()
	var e *Error
	if !errors.As(err, &e) || e.Field != field || e.Message == "" {
		t.Errorf("%s: %v, want an error of %s", what, err, field)
	}
}

// carriage is the worked example of the scanning model, calculated apart from this code: 54 mm swath in 8 passes, 0.1 m
// overrun, 1 m/s, 5 m/s2, 0.15 s advance.
func carriage() Carriage {
	return Carriage{SwathUm: 54_000, Passes: 8, OverrunUm: 100_000, SpeedUmS: 1e6, AccelerationUmS2: 5e6, AdvanceTime: 150 * time.Millisecond}
}

func TestCarriageWorkedExample(t *testing.T) {
	const length, width = 10_000_000, 1_300_000
	c := carriage()
	if n, err := c.Scans(length); n != 1489 || err != nil {
		t.Errorf("%d scans, %v, want 1489", n, err)
	}
	if ts, err := c.Sweep(width); ts != 1900*time.Millisecond || err != nil {
		t.Errorf("sweep %v, %v, want 1.9 s", ts, err)
	}
	got, err := c.Time(length, width)
	if want := 2829100 * time.Millisecond; got != want || err != nil {
		t.Errorf("%v, %v, want %v", got, err, want)
	}
	near(t, "minutes", got.Minutes(), 47.15, 0.005)
	rate, err := c.AreaRate(length, width)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "m2/h", rate, 16.54, 0.005)
	steady, err := c.SteadyRate(width)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "steady m2/h", steady, 1.3*0.00675/1.9*3600, 1e-9)

	c.Unidirectional = true
	if got, err = c.Time(length, width); err != nil {
		t.Fatal(err)
	}
	near(t, "unidirectional minutes", got.Minutes(), 94.30, 0.005)
	if steady, err = c.SteadyRate(width); err != nil {
		t.Fatal(err)
	}
	near(t, "unidirectional steady m2/h", steady, 1.3*0.00675/3.8*3600, 1e-9)

	// A slow web sets the pace of the turn: 1.5 s + 0.6 s instead of 0.4 s.
	c = carriage()
	c.AdvanceTime = 600 * time.Millisecond
	if ts, err := c.Sweep(width); ts != 2100*time.Millisecond || err != nil {
		t.Errorf("sweep %v, %v, want 2.1 s", ts, err)
	}
}

func TestAreaWorkedExample(t *testing.T) {
	// 10 m x 1.3 m at the rate of the scanning example take as long as there.
	a := Area{SquareMetresPerHour: 13 / 2829.1 * 3600}
	got, err := a.Time(10_000_000, 1_300_000)
	if want := 2829100 * time.Millisecond; got != want || err != nil {
		t.Errorf("%v, %v, want %v", got, err, want)
	}
	// With the full width charged, the number of copies across makes no difference; with the image's it does.
	a = Area{SquareMetresPerHour: 10, ChargedWidthUm: 1_600_000}
	for _, width := range []int64{1, 300_000, 1_600_000} {
		if got, err := a.Time(1_000_000, width); got != 576*time.Second || err != nil {
			t.Errorf("width %d: %v, %v, want 1.6 m2 at 10 m2/h", width, got, err)
		}
	}
	a.ChargedWidthUm = 0
	if got, err := a.Time(1_000_000, 300_000); got != 108*time.Second || err != nil {
		t.Errorf("%v, %v, want 0.3 m2 at 10 m2/h", got, err)
	}
	a.ChargedWidthUm = 1_600_000
	_, err = a.Time(1_000_000, 1_600_001)
	wantField(t, "too wide", err, "width_um")
}

func TestNothingToPrintTakesNoTime(t *testing.T) {
	for _, p := range []PrintPace{carriage(), Area{SquareMetresPerHour: 10, ChargedWidthUm: 9}} {
		for _, size := range [][2]int64{{0, 5}, {5, 0}, {0, 0}} {
			if got, err := p.Time(size[0], size[1]); got != 0 || err != nil {
				t.Errorf("%T of %v: %v, %v", p, size, got, err)
			}
		}
	}
}

func TestPrintErrors(t *testing.T) {
	change := func(f func(*Carriage)) Carriage {
		c := carriage()
		f(&c)
		return c
	}
	tests := []struct {
		pace          PrintPace
		length, width int64
		field         string
	}{
		{carriage(), -1, 1, "length_um"},
		{carriage(), mostUm + 1, 1, "length_um"},
		{carriage(), 1, -1, "width_um"},
		{carriage(), 1, math.MaxInt64, "width_um"},
		{change(func(c *Carriage) { c.SwathUm = 0 }), 1, 1, "swath_um"},
		{change(func(c *Carriage) { c.Passes = 0 }), 1, 1, "passes"},
		{change(func(c *Carriage) { c.Passes = math.MaxInt }), 1, 1, "passes"},
		{change(func(c *Carriage) { c.OverrunUm = -5 }), 1, 1, "overrun_um"},
		{change(func(c *Carriage) { c.SpeedUmS = 0 }), 1, 1, "speed_um_s"},
		{change(func(c *Carriage) { c.SpeedUmS = -1 }), 1, 1, "speed_um_s"},
		{change(func(c *Carriage) { c.AccelerationUmS2 = 0 }), 1, 1, "acceleration_um_s2"},
		{change(func(c *Carriage) { c.AdvanceTime = -1 }), 1, 1, "advance_time"},
		{change(func(c *Carriage) { c.SwathUm, c.SpeedUmS = 1, 1 }), mostUm, mostUm, "length_um"}, // overflow
		{Area{SquareMetresPerHour: 0}, 1, 1, "square_metres_per_hour"},
		{Area{SquareMetresPerHour: -3}, 1, 1, "square_metres_per_hour"},
		{Area{SquareMetresPerHour: math.NaN()}, 1, 1, "square_metres_per_hour"},
		{Area{SquareMetresPerHour: math.Inf(1)}, 1, 1, "square_metres_per_hour"},
		{Area{SquareMetresPerHour: 1e-300}, 1, 1, "length_um"}, // overflow
		{Area{SquareMetresPerHour: 1, ChargedWidthUm: -1}, 1, 1, "charged_width_um"},
		{Area{SquareMetresPerHour: 1}, -1, 1, "length_um"},
	}
	for _, tt := range tests {
		got, err := tt.pace.Time(tt.length, tt.width)
		wantField(t, "time", err, tt.field)
		if got != 0 {
			t.Errorf("%v beside the error %v", got, err)
		}
	}
	_, err := carriage().AreaRate(0, 1)
	wantField(t, "rate of nothing", err, "length_um")
	_, err = carriage().SteadyRate(0)
	wantField(t, "rate of nothing", err, "width_um")
	_, err = Carriage{}.Sweep(1)
	wantField(t, "sweep", err, "swath_um")
}

func drawPace(t *rapid.T) PrintPace {
	length := rapid.Int64Range(1, 5e6)
	switch rapid.IntRange(0, 1).Draw(t, "pace") {
	case 0:
		return Carriage{
			SwathUm: rapid.Int64Range(1e4, 1e6).Draw(t, "swath"), Passes: rapid.IntRange(1, 64).Draw(t, "passes"), OverrunUm: length.Draw(t, "overrun"),
			SpeedUmS: rapid.Int64Range(1e4, 5e6).Draw(t, "speed"), AccelerationUmS2: rapid.Int64Range(1e5, 1e8).Draw(t, "acceleration"),
			AdvanceTime: time.Duration(rapid.Int64Range(0, 1e10).Draw(t, "advance")), Unidirectional: rapid.Bool().Draw(t, "one way"),
		}
	default:
		return Area{SquareMetresPerHour: rapid.Float64Range(0.1, 1000).Draw(t, "rate"), ChargedWidthUm: rapid.SampledFrom([]int64{0, 5e6}).Draw(t, "charged")}
	}
}

// Longer takes no less; two prints take no less than one of both lengths, and, where only area counts, the same.
func TestPrintGrowsWithLength(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawPace(t)
		length := rapid.Int64Range(0, 1e8)
		a, b, width := length.Draw(t, "a"), length.Draw(t, "b"), rapid.Int64Range(1, 5e6).Draw(t, "width")
		time := func(length int64) time.Duration {
			d, err := p.Time(length, width)
			if err != nil {
				t.Fatal(err)
			}
			return d
		}
		ta, tb, both := time(a), time(b), time(a+b)
		rounding := 8 + both/1e12
		if both < max(ta, tb) {
			t.Errorf("%v for both, %v and %v alone", both, ta, tb)
		}
		if both > ta+tb+rounding {
			t.Errorf("%v for both, only %v and %v alone", both, ta, tb)
		}
		if _, area := p.(Area); area && ta+tb > both+rounding {
			t.Errorf("%v for both, %v and %v alone", both, ta, tb)
		}
	})
}

// Whatever is asked, the answer is an error or not negative: nothing overflows.
func TestCarriageNeverOverflows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		any64 := rapid.Int64()
		c := Carriage{
			SwathUm: any64.Draw(t, "swath"), Passes: rapid.Int().Draw(t, "passes"), OverrunUm: any64.Draw(t, "overrun"), SpeedUmS: any64.Draw(t, "speed"),
			AccelerationUmS2: any64.Draw(t, "acceleration"), AdvanceTime: time.Duration(any64.Draw(t, "advance")), Unidirectional: rapid.Bool().Draw(t, "one way"),
		}
		d, err := c.Time(any64.Draw(t, "length"), any64.Draw(t, "width"))
		var e *Error
		if d < 0 || err != nil && (d != 0 || !errors.As(err, &e)) {
			t.Errorf("%v, %v", d, err)
		}
	})
}
