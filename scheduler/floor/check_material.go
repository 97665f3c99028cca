package floor

import "fmt"

// checkLots verifies that the books of every lot close, and that what is reserved and used is what the runs say.
func (f *Floor) checkLots() []error {
	var errs []error
	bad := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	used := map[string]int64{}
	for _, l := range f.stock.lots {
		used[l.ID] = l.archived
	}
	for _, j := range f.Jobs {
		for _, s := range j.Steps {
			for _, r := range s.Runs {
				if s.Live != r && r.Lot != nil {
					used[r.Lot.ID] += r.LotLength
				}
				pieces := int32(0)
				for _, u := range r.Earlier {
					used[u.GetLot()] += u.GetLengthUm()
					pieces += u.GetPieces()
				}
				if r.LotLength < 0 || pieces > r.Pieces || (r.Lot == nil && r.LotLength != 0) {
					bad("run %s takes %d um of a lot and made %d of %d pieces from earlier ones", r.ID, r.LotLength, pieces, r.Pieces)
				}
			}
		}
	}
	for _, l := range f.stock.lots {
		if l.Remaining < 0 || l.Spec.GetLengthUm()+l.Corrected-l.Used != l.Remaining {
			bad("lot %s: %d um received, %d corrected and %d used do not leave %d", l.ID, l.Spec.GetLengthUm(), l.Corrected, l.Used, l.Remaining)
		}
		if used[l.ID] != l.Used {
			bad("lot %s has %d um used, its runs took %d", l.ID, l.Used, used[l.ID])
		}
		if d := l.Device; d != nil && (d.Lot != l || d.Loaded != l.Media() || f.byDevice[d.ID] != d) {
			bad("lot %s of %s says it is on %s, which has %s", l.ID, l.Media(), d.ID, orNothing(d.Loaded))
		}
	}
	for _, d := range f.Devices {
		errs = append(errs, d.checkLot()...)
	}
	return errs
}

func (d *Device) checkLot() []error {
	var errs []error
	bad := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if d.Lot != nil && d.Lot.Device != d {
		bad("device %s has lot %s, which does not say so", d.ID, d.Lot.ID)
	}
	for _, r := range d.Live {
		switch {
		case r.Lot != nil && r.Lot != d.Lot:
			bad("run %s takes from lot %s, which is not on %s", r.ID, r.Lot.ID, d.ID)
		case r.Lot != nil && !r.firm() && r.LotLength > 0 && d.Lot.Reserved() > d.Lot.Remaining:
			bad("run %s has reserved what lot %s does not hold", r.ID, r.Lot.ID)
		}
	}
	return errs
}
