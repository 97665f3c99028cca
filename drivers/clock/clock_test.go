package clock

import (
	"math"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"
)

var base = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

func TestScaledRunsAtItsScale(t *testing.T) {
	for _, scale := range []float64{0.25, 1, 60, 1e6} {
		synctest.Test(t, func(t *testing.T) {
			c := Scaled(base, scale)
			if !c.Now().Equal(base) {
				t.Fatalf("scale %g: starts at %v, want %v", scale, c.Now(), base)
			}
			time.Sleep(8 * time.Second)
			want := base.Add(time.Duration(8 * scale * float64(time.Second)))
			if got := c.Now(); !got.Equal(want) {
				t.Errorf("scale %g: %v after 8 s, want %v", scale, got, want)
			}
		})
	}
}

func TestNowCarriesNoWallReading(t *testing.T) {
	// A time with a monotonic reading would be compared by it, and two clocks would not be comparable.
	for name, now := range map[string]time.Time{"wall": Wall().Now(), "synced": NewSynced().Now()} {
		if now != now.Round(0) || now.Location() != time.UTC {
			t.Errorf("%s: %v is not a plain UTC time", name, now)
		}
	}
}

func TestTimerWaitsForFloorTime(t *testing.T) {
	for _, scale := range []float64{0.5, 1, 3, 60, 1e6} {
		synctest.Test(t, func(t *testing.T) {
			c := Scaled(base, scale)
			start := time.Now()
			<-c.After(time.Hour)
			if got := c.Now().Sub(base); got < time.Hour {
				t.Errorf("scale %g: fired %v after the base, want an hour at least", scale, got)
			}
			// The shortest whole number of nanoseconds that is an hour of floor time.
			want := time.Duration(math.Ceil(float64(time.Hour) / scale))
			if got := time.Since(start); got != want {
				t.Errorf("scale %g: waited %v of wall time, want %v", scale, got, want)
			}
		})
	}
}

func TestTimerNeverFiresEarly(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	synctest.Test(t, func(t *testing.T) {
		for range 2000 {
			scale := math.Exp(random.Float64()*17 - 5)
			c := Scaled(base, scale)
			time.Sleep(time.Duration(random.Int64N(int64(time.Hour))))
			due := c.Now().Add(time.Duration(random.Int64N(int64(24 * time.Hour))))
			<-c.After(due.Sub(c.Now()))
			if now := c.Now(); now.Before(due) {
				t.Fatalf("scale %g: fired at %v, due at %v", scale, now, due)
			}
		}
	})
}

func TestTimerStopAndReset(t *testing.T) {
	makers := map[string]func() Clock{
		"scaled": func() Clock { return Scaled(base, 60) },
		"synced": func() Clock { c := NewSynced(); c.Set(base, 60); return c },
	}
	for name, makeClock := range makers {
		synctest.Test(t, func(t *testing.T) {
			c := makeClock()
			timer := c.NewTimer(time.Minute)
			if !timer.Stop() {
				t.Errorf("%s: Stop of a pending timer reports false", name)
			}
			time.Sleep(time.Minute)
			select {
			case <-timer.C():
				t.Errorf("%s: a stopped timer fired", name)
			default:
			}
			timer.Reset(time.Minute)
			from := c.Now()
			<-timer.C()
			if got := c.Now().Sub(from); got != time.Minute {
				t.Errorf("%s: a reset timer fired after %v, want a minute", name, got)
			}
			timer.Reset(-time.Hour)
			<-timer.C()
		})
	}
}

func TestSaturation(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := Scaled(base, 1e9)
		time.Sleep(400 * 24 * time.Hour)
		if got, want := c.Now(), base.Add(math.MaxInt64); !got.Equal(want) {
			t.Errorf("after more than 292 years: %v, want %v", got, want)
		}
		timer := Scaled(base, 1e-3).NewTimer(math.MaxInt64)
		if !timer.Stop() {
			t.Error("a timer 292 years ahead has fired")
		}
	})
}

func TestScaleIsChecked(t *testing.T) {
	for _, scale := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("scale %g: no panic", scale)
				}
			}()
			Scaled(base, scale)
		}()
	}
}

func TestSyncedFollowsTheFloor(t *testing.T) {
	tests := []struct {
		name  string
		told  time.Duration // what the second Set tells, from what the clock shows
		scale float64
		want  time.Duration // what the clock shows right after, from what it showed
		later time.Duration // and a minute of wall time later
	}{
		{"forward", time.Hour, 60, time.Hour, 2 * time.Hour},
		{"back by a slow message", -5 * time.Second, 60, 0, time.Hour},
		{"back by more", -time.Hour, 60, -time.Hour, 0},
		{"slow message and another scale", -time.Second, 30, 0, 30*time.Minute - time.Second},
	}
	for _, test := range tests {
		synctest.Test(t, func(t *testing.T) {
			c := NewSynced()
			c.Set(base, 60)
			time.Sleep(time.Minute)
			shown := c.Now()
			if want := base.Add(time.Hour); !shown.Equal(want) {
				t.Fatalf("%s: %v after a minute at 60, want %v", test.name, shown, want)
			}
			c.Set(shown.Add(test.told), test.scale)
			if got := c.Now().Sub(shown); got != test.want {
				t.Errorf("%s: moved by %v, want %v", test.name, got, test.want)
			}
			time.Sleep(time.Minute)
			want := shown.Add(test.later)
			if got := c.Now(); !got.Equal(want) {
				t.Errorf("%s: %v a minute later, want %v", test.name, got, want)
			}
		})
	}
}

func TestSyncedRunsUntoldAsTheWallClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := NewSynced()
		time.Sleep(time.Minute)
		if got, want := c.Now(), time.Now(); !got.Equal(want) {
			t.Errorf("shows %v, want the wall clock's %v", got, want)
		}
	})
}

func TestSyncedTimersFollowCorrections(t *testing.T) {
	for _, test := range []struct {
		name string
		move time.Duration
		wall time.Duration // until a timer of one hour fires, set at base and moved at once
	}{
		{"forward past the deadline", 2 * time.Hour, 0},
		{"forward", 30 * time.Minute, 30 * time.Second},
		{"back", -time.Hour, 2 * time.Minute},
	} {
		synctest.Test(t, func(t *testing.T) {
			c := NewSynced()
			c.Set(base, 60)
			fired, past := c.NewTimer(time.Minute), c.After(time.Hour)
			<-fired.C()
			start := time.Now()
			c.Set(base.Add(time.Minute+test.move), 60)
			<-past
			// The minute that was waited for is a second of wall time.
			if got, want := time.Since(start), max(test.wall-time.Second, 0); got != want {
				t.Errorf("%s: fired after %v of wall time, want %v", test.name, got, want)
			}
			time.Sleep(time.Hour)
			select {
			case <-fired.C():
				t.Errorf("%s: a timer fired twice", test.name)
			default:
			}
			if c.After(0); len(c.timers) != 1 {
				t.Errorf("%s: %d timers are kept, want the last one only", test.name, len(c.timers))
			}
		})
	}
}

func BenchmarkNow(b *testing.B) {
	for name, c := range map[string]Clock{"scaled": Scaled(base, 60), "synced": NewSynced()} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				c.Now()
			}
		})
	}
}
