package bus

import (
	"fmt"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
)

const mostSupplies = 32

// checkWatched bounds what watchers have seen, and makes foreign text in it fit for screens.
func checkWatched(s *driverv1.Status) error {
	s.Supplies = s.GetSupplies()[:min(len(s.GetSupplies()), mostSupplies)]
	for _, supply := range s.GetSupplies() {
		supply.DisplayName, supply.Kind = printable(supply.GetDisplayName()), printable(supply.GetKind())
		supply.LevelPercent = min(max(supply.GetLevelPercent(), 0), 100)
	}
	s.Watched = s.GetWatched()[:min(len(s.GetWatched()), drivers.MaxWatchers)]
	for i, w := range s.GetWatched() {
		w.Kind, w.Message = printable(w.GetKind()), printable(w.GetMessage())
		if err := checkReasons(w.GetStateReasons()); err != nil {
			return fmt.Errorf("watched[%d].%w", i, err)
		}
	}
	return nil
}
