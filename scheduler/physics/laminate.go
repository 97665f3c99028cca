package physics

import "time"

// Laminator is a roll laminator with one film on it.
type Laminator struct {
	MetresPerMinute float64
	WarmUp          time.Duration // once, when it was cold
	WebUp           time.Duration // threading and tracking a film, at each change
	WebUpWasteUm    int64         // film spent on that
	LeadUm          int64         // film before the print, on each roll
	TailUm          int64         // film after it
}

// Lamination is one pass: a roll segment, which may hold the panels of several jobs in print order.
type Lamination struct {
	LengthUm     int64 // of the segment
	PrintWidthUm int64
	FilmWidthUm  int64
	FilmChanges  int  // before this pass
	Cold         bool // the machine has to warm up first
}

// Time returns warm-up + web-up * changes + (lead + length + tail) / speed.
func (l Laminator) Time(p Lamination) (time.Duration, error) {
	var t total
	l.check(p, &t.checks)
	if p.Cold {
		t.add("warm_up", l.WarmUp, 1)
	}
	t.add("web_up", l.WebUp, int64(p.FilmChanges))
	t.seconds("metres_per_minute", float64(l.LeadUm+p.LengthUm+l.TailUm)/1e6/l.MetresPerMinute*60)
	return t.result()
}

// FilmUm returns the length of film that the pass takes: lead + length + tail + waste * changes.
func (l Laminator) FilmUm(p Lamination) (int64, error) {
	var k checks
	l.check(p, &k)
	if k.err == nil && p.FilmChanges > 0 && l.WebUpWasteUm > mostUm/int64(p.FilmChanges) {
		k.fail("film_changes", "is %d: that much web-up waste is more than 1,000 km of film; give fewer changes", p.FilmChanges)
	}
	if k.err != nil {
		return 0, k.err
	}
	return l.LeadUm + p.LengthUm + l.TailUm + l.WebUpWasteUm*int64(p.FilmChanges), nil
}

func (l Laminator) check(p Lamination, k *checks) {
	k.rate("metres_per_minute", l.MetresPerMinute)
	k.duration("warm_up", l.WarmUp)
	k.duration("web_up", l.WebUp)
	k.length("web_up_waste_um", l.WebUpWasteUm)
	k.length("lead_um", l.LeadUm)
	k.length("tail_um", l.TailUm)
	k.length("length_um", p.LengthUm)
	k.positive("print_width_um", p.PrintWidthUm)
	k.positive("film_width_um", p.FilmWidthUm)
	k.count("film_changes", p.FilmChanges, 0)
	if p.FilmWidthUm <= p.PrintWidthUm {
		k.fail("film_width_um", "is %d: the film must be wider than the print (%d), or an edge stays bare; choose a wider film", p.FilmWidthUm, p.PrintWidthUm)
	}
}

// Process is a way of laminating.
type Process string

// The ways of laminating.
const (
	PressureSensitive Process = "pressure-sensitive" // cold
	HeatAssist        Process = "heat-assist"        // pressure-sensitive film, warm top roller
	Thermal           Process = "thermal"            // the heat melts the glue
)

// UsualLamination is what a way of laminating usually takes, from the least to the most.
type UsualLamination struct {
	MetresPerMinute [2]float64
	Celsius         [2]float64       // top roller; zero: not heated
	WarmUp          [2]time.Duration // zero: none
	WebUpWasteUm    [2]int64         // film, at each change
	LeadTailUm      [2]int64         // film, on each roll
}

// Usually returns the usual figures (all of them common practice, no source). Rollers at 35 C and more burn and pull in:
// keep hands, sleeves and lanyards away, and let the machine cool before threading film.
func (p Process) Usually() (UsualLamination, error) {
	u := UsualLamination{
		MetresPerMinute: [2]float64{1, 6},
		WebUpWasteUm:    [2]int64{1e6, 3e6},
		LeadTailUm:      [2]int64{0.3e6, 1e6},
	}
	switch p {
	case PressureSensitive:
	case HeatAssist:
		u.Celsius = [2]float64{35, 60}
		u.WarmUp = [2]time.Duration{5 * time.Minute, 10 * time.Minute}
	case Thermal:
		u.MetresPerMinute = [2]float64{0.5, 3}
		u.Celsius = [2]float64{90, 130}
		u.WarmUp = [2]time.Duration{15 * time.Minute, 30 * time.Minute}
	default:
		return UsualLamination{}, bad("process", "is %.40q: give %s, %s or %s", p, PressureSensitive, HeatAssist, Thermal)
	}
	return u, nil
}
