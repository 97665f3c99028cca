package physics

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestLaminator(t *testing.T) {
	l := Laminator{MetresPerMinute: 2, WarmUp: 8 * time.Minute, WebUp: 6 * time.Minute, WebUpWasteUm: 2e6, LeadUm: 0.4e6, TailUm: 0.6e6}
	pass := Lamination{LengthUm: 9e6, PrintWidthUm: 1_300_000, FilmWidthUm: 1_370_000}
	tests := []struct {
		name    string
		changes int
		cold    bool
		time    time.Duration // by hand: 10 m at 2 m/min
		film    int64
	}{
		{"warm, film loaded", 0, false, 5 * time.Minute, 10e6},
		{"cold", 0, true, 13 * time.Minute, 10e6},
		{"another film", 1, false, 11 * time.Minute, 12e6},
		{"cold, two films", 2, true, 25 * time.Minute, 14e6},
	}
	for _, tt := range tests {
		pass.FilmChanges, pass.Cold = tt.changes, tt.cold
		if got, err := l.Time(pass); got != tt.time || err != nil {
			t.Errorf("%s: %v, %v, want %v", tt.name, got, err, tt.time)
		}
		if got, err := l.FilmUm(pass); got != tt.film || err != nil {
			t.Errorf("%s: %d um of film, %v, want %d", tt.name, got, err, tt.film)
		}
	}
}

func TestLaminatorErrors(t *testing.T) {
	for field, change := range map[string]func(*Laminator, *Lamination){
		"metres_per_minute": func(l *Laminator, _ *Lamination) { l.MetresPerMinute = math.NaN() },
		"warm_up":           func(l *Laminator, _ *Lamination) { l.WarmUp = -1 },
		"web_up":            func(l *Laminator, _ *Lamination) { l.WebUp = -1 },
		"web_up_waste_um":   func(l *Laminator, _ *Lamination) { l.WebUpWasteUm = -1 },
		"lead_um":           func(l *Laminator, _ *Lamination) { l.LeadUm = -1 },
		"tail_um":           func(l *Laminator, _ *Lamination) { l.TailUm = mostUm + 1 },
		"length_um":         func(_ *Laminator, p *Lamination) { p.LengthUm = -1 },
		"print_width_um":    func(_ *Laminator, p *Lamination) { p.PrintWidthUm = 0 },
		"film_width_um":     func(_ *Laminator, p *Lamination) { p.FilmWidthUm = p.PrintWidthUm },
		"film_changes":      func(_ *Laminator, p *Lamination) { p.FilmChanges = -1 },
	} {
		l, p := Laminator{MetresPerMinute: 2}, Lamination{LengthUm: 1, PrintWidthUm: 1, FilmWidthUm: 2}
		change(&l, &p)
		_, err := l.Time(p)
		wantField(t, "time", err, field)
		_, err = l.FilmUm(p)
		wantField(t, "film", err, field)
	}
	p := Lamination{LengthUm: 1, PrintWidthUm: 1, FilmWidthUm: 2, FilmChanges: 1e9}
	_, err := Laminator{MetresPerMinute: 1, WebUp: time.Hour * 1e6}.Time(p)
	wantField(t, "overflow", err, "web_up")
	_, err = Laminator{MetresPerMinute: 1, WebUpWasteUm: 1e9}.FilmUm(p)
	wantField(t, "film overflow", err, "film_changes")
	_, err = Laminator{MetresPerMinute: 1e-300}.Time(p)
	wantField(t, "slow", err, "metres_per_minute")
	_, err = Laminator{}.Time(p)
	wantField(t, "standing", err, "metres_per_minute")
}

// The figures are common practice, no source.
func TestUsualLamination(t *testing.T) {
	const minute = time.Minute
	tests := map[Process]UsualLamination{
		PressureSensitive: {MetresPerMinute: [2]float64{1, 6}, WebUpWasteUm: [2]int64{1e6, 3e6}, LeadTailUm: [2]int64{3e5, 1e6}},
		HeatAssist: {
			MetresPerMinute: [2]float64{1, 6}, Celsius: [2]float64{35, 60}, WarmUp: [2]time.Duration{5 * minute, 10 * minute},
			WebUpWasteUm: [2]int64{1e6, 3e6}, LeadTailUm: [2]int64{3e5, 1e6},
		},
		Thermal: {
			MetresPerMinute: [2]float64{0.5, 3}, Celsius: [2]float64{90, 130}, WarmUp: [2]time.Duration{15 * minute, 30 * minute},
			WebUpWasteUm: [2]int64{1e6, 3e6}, LeadTailUm: [2]int64{3e5, 1e6},
		},
	}
	for p, want := range tests {
		if got, err := p.Usually(); got != want || err != nil {
			t.Errorf("%s: %+v, %v, want %+v", p, got, err, want)
		}
	}
	_, err := Process("glue").Usually()
	wantField(t, "unknown", err, "process")
}

// One pass over the segments of two jobs takes less than two passes by one lead and tail, and its length counts in full.
func TestLaminatorAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		um := rapid.Int64Range(0, 1e8)
		l := Laminator{MetresPerMinute: rapid.Float64Range(0.1, 20).Draw(t, "speed"), LeadUm: um.Draw(t, "lead"), TailUm: um.Draw(t, "tail")}
		a, b := um.Draw(t, "a"), um.Draw(t, "b")
		time := func(length int64) time.Duration {
			d, err := l.Time(Lamination{LengthUm: length, PrintWidthUm: 1, FilmWidthUm: 2})
			if err != nil {
				t.Fatal(err)
			}
			return d
		}
		if d := time(a) + time(b) - time(a+b) - time(0); d.Abs() > 1000 {
			t.Errorf("off by %v", d)
		}
		if time(a+b) < time(a) {
			t.Errorf("longer takes less")
		}
	})
}
