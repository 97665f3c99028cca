package drivers

import (
	"fmt"

	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
)

// settle takes over the period and the floor's time from a Welcome.
func (t *talk) settle(w *driverv1.Welcome) error {
	scale := w.GetTimeScale()
	if scale == 0 {
		scale = 1
	}
	if !clock.Valid(scale) {
		return fmt.Errorf("the daemon's welcome has time_scale %g: it must be a number above 0", scale)
	}
	if w.GetNow() != nil {
		if err := w.GetNow().CheckValid(); err != nil {
			return fmt.Errorf("the daemon's welcome has no good time: %w", err)
		}
		if t.host.synced != nil {
			t.host.synced.Set(w.GetNow().AsTime(), scale)
		}
	}
	if period := w.GetPeriod().AsDuration(); period > 0 {
		t.period = min(max(period, shortestPeriod), longestPeriod)
	}
	return nil
}
