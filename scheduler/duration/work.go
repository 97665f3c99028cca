// Package duration says how long an operation takes on a device of the floor file, before it is done. It reads abilities and
// leaves the physics to package physics; it knows neither the state of the floor nor what devices took before.
package duration

import (
	"math"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/physics"
)

// Demand is what a run asks of a device.
type Demand struct {
	Pieces       int32
	Panels       int32         // that are fed in one by one
	Mode         string        // print or cut mode; empty: the device's first
	WidthUm      int64         // of web or sheet, micrometres
	LengthUm     int64         // web that passes the device, micrometres
	PathLengthUm int64         // knife path, micrometres
	Contour      time.Duration // time for all pieces as worked out from the contour for this device; 0: not known
	Fixed        time.Duration // time the operation takes where no device sets the pace: hand work, drying
}

// Scale returns the demand of part out of whole pieces of the same layout. A whole of zero returns d unchanged.
func (d Demand) Scale(part, whole int32) Demand {
	if whole <= 0 || part == whole {
		return d
	}
	share := func(v int64) int64 { return int64(float64(v) * float64(part) / float64(whole)) }
	out := d
	out.Pieces = part
	out.Panels = int32((int64(d.Panels)*int64(part) + int64(whole) - 1) / int64(whole))
	out.LengthUm, out.PathLengthUm = share(d.LengthUm), share(d.PathLengthUm)
	out.Contour, out.Fixed = time.Duration(share(int64(d.Contour))), time.Duration(share(int64(d.Fixed)))
	return out
}

// Linear says whether Work is a sum of rates alone: the same for two abilities with the same rates.
func Linear(a *tandemv1.Ability) bool {
	return len(a.GetPrintModes()) == 0 && a.GetCutMotion() == nil && a.GetMarkTime() == nil && a.GetFeedOut() == nil && a.GetSeparationCut() == nil
}

// Work returns the time after the set-up:
//
//	per_piece*pieces + per_metre*length + per_path_metre*path + fixed + panels*(feed_out + marks*mark_time + separation_cut)
//
// The print mode's own speed takes the place of per_metre, the contour's time that of per_piece and per_path_metre. The
// linear part is what a shop can calibrate with a stopwatch: measure a short and a long job (common practice, no source).
func Work(a *tandemv1.Ability, d Demand) time.Duration {
	const metre = 1e6 // micrometres
	t := d.Fixed
	if ink, ok := printTime(a, d); ok {
		t += ink
	} else {
		t += time.Duration(float64(d.LengthUm) / metre * float64(a.GetPerMetre().AsDuration()))
	}
	if d.Contour > 0 {
		t += d.Contour
	} else {
		t += time.Duration(d.Pieces) * a.GetPerPiece().AsDuration()
		t += time.Duration(float64(d.PathLengthUm) / metre * float64(a.GetPerPathMetre().AsDuration()))
	}
	return t + time.Duration(d.Panels)*PanelTime(a)
}

// MarksOf returns how many marks a device reads on each panel: none unless it has a time for them.
func MarksOf(a *tandemv1.Ability) int32 {
	switch {
	case a.GetMarkTime().AsDuration() == 0:
		return 0
	case a.GetMarksPerPanel() > 0:
		return a.GetMarksPerPanel()
	}
	return 4
}

// PanelTime returns the time for each panel besides its pieces: feeding it out, reading its marks, cutting it off.
func PanelTime(a *tandemv1.Ability) time.Duration {
	return a.GetFeedOut().AsDuration() + time.Duration(MarksOf(a))*a.GetMarkTime().AsDuration() + a.GetSeparationCut().AsDuration()
}

// PrintModeOf returns the speed of a mode, the first where none is named, or nil if the ability has none of that name.
func PrintModeOf(a *tandemv1.Ability, mode string) *tandemv1.PrintMode {
	for _, m := range a.GetPrintModes() {
		if mode == "" || m.GetMode() == mode {
			return m
		}
	}
	return nil
}

// PrintPace returns how fast a device lays ink down in a mode.
func PrintPace(m *tandemv1.PrintMode, maxWidthUm int64) physics.PrintPace {
	if c := m.GetCarriage(); c != nil {
		return physics.Carriage{
			SwathUm: c.GetSwathUm(), Passes: int(c.GetPasses()), OverrunUm: c.GetOverrunUm(), SpeedUmS: c.GetSpeedUm(),
			AccelerationUmS2: c.GetAccelerationUm(), AdvanceTime: c.GetAdvanceTime().AsDuration(), Unidirectional: c.GetUnidirectional(),
		}
	}
	area := physics.Area{SquareMetresPerHour: m.GetSquareMetresPerHour()}
	if m.GetFullWidth() {
		area.ChargedWidthUm = maxWidthUm
	}
	return area
}

// printTime returns the time of the ink where the ability knows the mode's speed. A floor file that was checked gives no
// errors; what does give one takes for ever, so that no device is chosen for it.
func printTime(a *tandemv1.Ability, d Demand) (time.Duration, bool) {
	m := PrintModeOf(a, d.Mode)
	if m == nil || d.LengthUm == 0 {
		return 0, false
	}
	width := d.WidthUm
	if full := a.GetMaxWidthUm(); full > 0 && (width == 0 || m.GetFullWidth()) {
		width = full
	}
	t, err := PrintPace(m, a.GetMaxWidthUm()).Time(d.LengthUm, width)
	if err != nil {
		return math.MaxInt64 / 4, true
	}
	return t, true
}
