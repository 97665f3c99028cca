package physics

import "time"

// PrintPace is how long the ink takes for an image of this length (along the web) and width (across it), without set-up
// and eject. Carriage, Area and Line have it.
type PrintPace interface {
	Time(lengthUm, widthUm int64) (time.Duration, error)
}

// Print is one printing run: t = set-up + ink + eject. Set-up (heating, spitting, loading) is usually 1 to 5 minutes
// (common practice, no source).
type Print struct {
	SetUp time.Duration // before the first scan
	Eject time.Duration // after the last one: feed out, cut off
	Pace  PrintPace     // while the ink goes down
}

// Time returns how long an image of this length and width takes.
func (p Print) Time(lengthUm, widthUm int64) (time.Duration, error) {
	if p.Pace == nil {
		return 0, bad("pace", "is missing: give a carriage, an area rate or a fitted line")
	}
	ink, err := p.Pace.Time(lengthUm, widthUm)
	if err != nil {
		return 0, err
	}
	var t total
	t.add("set_up", p.SetUp, 1)
	t.add("length_um", ink, 1)
	t.add("eject", p.Eject, 1)
	return t.result()
}

// Area is a measured rate: A/R with A = length * charged width. Usual rates of roll machines 1.3 to 1.6 m wide are 20-60
// m2/h for draft, 10-25 for production, 5-12 for quality and 2-6 for high saturation or white with colour; machines of
// the 3 m class do 2 to 5 times that (common practice, no source).
type Area struct {
	SquareMetresPerHour float64
	// ChargedWidthUm is the width that the carriage sweeps however narrow the image is. 0: it turns at the image's edge,
	// so the image's own width is charged.
	ChargedWidthUm int64
}

// Time returns the charged area divided by the rate. An image without length or width takes no time.
func (a Area) Time(lengthUm, widthUm int64) (time.Duration, error) {
	var t total
	t.rate("square_metres_per_hour", a.SquareMetresPerHour)
	t.length("charged_width_um", a.ChargedWidthUm)
	t.length("length_um", lengthUm)
	t.length("width_um", widthUm)
	charged := widthUm
	if a.ChargedWidthUm > 0 {
		charged = a.ChargedWidthUm
		if widthUm > charged {
			t.fail("width_um", "is %d: the device sweeps only %d micrometres; choose a wider device or split the image", widthUm, charged)
		}
	}
	if t.err != nil || widthUm == 0 {
		return t.result()
	}
	const squareMetre, hour = 1e12, 3600 // square micrometres, seconds
	t.seconds("length_um", float64(lengthUm)*float64(charged)/squareMetre/a.SquareMetresPerHour*hour)
	return t.result()
}
