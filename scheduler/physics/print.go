package physics

import "time"

// PrintPace is how long the ink takes for an image of this length (along the web) and width (across it), without set-up.
// Carriage and Area have it.
type PrintPace interface {
	Time(lengthUm, widthUm int64) (time.Duration, error)
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
