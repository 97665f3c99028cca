package physics

import (
	"math"
	"time"
)

// Carriage is a scanning print carriage. The web advances by swath/passes after each scan; a sweep crosses the charged
// width and an overrun on either side, then turns while the web advances:
//
//	advance s = swath/passes
//	scans   N = ceil(length/s) + passes - 1
//	sweep  ts = (width + 2*overrun)/speed + max(2*speed/acceleration, advance time)
//	time    T = N*ts, and twice that if it prints in one direction only (return at the same speed)
//
// Scanning-carriage arithmetic is common practice, no source; the same drivers (resolution, passes, carriage speed, head
// size) are in the trade article "Printer Productivity and Speed".
type Carriage struct {
	SwathUm          int64 // height of the head's print, along the web
	Passes           int   // scans that make up each line
	OverrunUm        int64 // beyond the charged width, on each side
	SpeedUmS         int64 // micrometres per second
	AccelerationUmS2 int64 // micrometres per second squared, at either end of a sweep
	AdvanceTime      time.Duration
	Unidirectional   bool
}

const mostPasses = 1000

// Scans returns how many scans an image of this length takes. No length takes none.
func (c Carriage) Scans(lengthUm int64) (int64, error) {
	var k checks
	c.check(&k)
	k.length("length_um", lengthUm)
	if k.err != nil || lengthUm == 0 {
		return 0, k.err
	}
	n := int64(c.Passes)
	return (lengthUm*n+c.SwathUm-1)/c.SwathUm + n - 1, nil
}

// Sweep returns the time of one scan of this charged width with its turn, without the return of a one-way carriage.
func (c Carriage) Sweep(widthUm int64) (time.Duration, error) {
	var t total
	c.check(&t.checks)
	t.length("width_um", widthUm)
	if t.err == nil {
		t.seconds("speed_um_s", c.sweep(widthUm))
	}
	return t.result()
}

// Time returns the time of an image of this length on this charged width. An image without length or width takes none.
func (c Carriage) Time(lengthUm, widthUm int64) (time.Duration, error) {
	scans, err := c.Scans(lengthUm)
	if err != nil {
		return 0, err
	}
	var t total
	t.length("width_um", widthUm)
	if t.err != nil || widthUm == 0 {
		return t.result()
	}
	t.seconds("length_um", float64(scans*c.sweeps())*c.sweep(widthUm))
	return t.result()
}

// AreaRate returns the square metres per hour of an image of this length and charged width. It falls short of SteadyRate
// by the passes-1 scans that every image takes more.
func (c Carriage) AreaRate(lengthUm, widthUm int64) (float64, error) {
	var k checks
	k.positive("length_um", lengthUm)
	k.positive("width_um", widthUm)
	if k.err != nil {
		return 0, k.err
	}
	t, err := c.Time(lengthUm, widthUm)
	if err != nil {
		return 0, err
	}
	return squareMetresPerHour(float64(lengthUm)*float64(widthUm), t.Seconds()), nil
}

// SteadyRate returns width*s/ts in square metres per hour: what AreaRate comes to on a long image.
func (c Carriage) SteadyRate(widthUm int64) (float64, error) {
	var k checks
	c.check(&k)
	k.positive("width_um", widthUm)
	if k.err != nil {
		return 0, k.err
	}
	area := float64(widthUm) * float64(c.SwathUm) / float64(c.Passes)
	return squareMetresPerHour(area, c.sweep(widthUm)*float64(c.sweeps())), nil
}

func squareMetresPerHour(um2, seconds float64) float64 { return um2 / 1e12 / seconds * 3600 }

func (c Carriage) sweeps() int64 {
	if c.Unidirectional {
		return 2
	}
	return 1
}

// sweep is in seconds.
func (c Carriage) sweep(widthUm int64) float64 {
	v := float64(c.SpeedUmS)
	turn := 2 * v / float64(c.AccelerationUmS2)
	return float64(widthUm+2*c.OverrunUm)/v + math.Max(turn, c.AdvanceTime.Seconds())
}

func (c Carriage) check(k *checks) {
	k.positive("swath_um", c.SwathUm)
	if c.Passes < 1 || c.Passes > mostPasses {
		k.fail("passes", "is %d: give a number from 1 to %d", c.Passes, mostPasses)
	}
	k.length("overrun_um", c.OverrunUm)
	k.positive("speed_um_s", c.SpeedUmS)
	k.positive("acceleration_um_s2", c.AccelerationUmS2)
	k.duration("advance_time", c.AdvanceTime)
}
