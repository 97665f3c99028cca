// Package duration says how long an operation takes on a device, before it is done. It knows the physics of the work,
// not the state of the floor.
package duration

import (
	"time"

	tandemv1 "tandem/proto/tandem/v1"
)

// Demand is what a run asks of a device.
type Demand struct {
	Pieces       int32
	LengthUm     int64         // web that passes the device, micrometres
	PathLengthUm int64         // knife path, micrometres
	Fixed        time.Duration // time the operation takes where no device sets the pace: hand work, drying
}

// Scale returns the demand of part out of whole pieces of the same layout. A whole of zero returns d unchanged.
func (d Demand) Scale(part, whole int32) Demand {
	if whole <= 0 || part == whole {
		return d
	}
	share := func(v int64) int64 { return int64(float64(v) * float64(part) / float64(whole)) }
	return Demand{
		Pieces:       part,
		LengthUm:     share(d.LengthUm),
		PathLengthUm: share(d.PathLengthUm),
		Fixed:        time.Duration(share(int64(d.Fixed))),
	}
}

// Work returns the time after the set-up: per_piece*pieces + per_metre*length + per_path_metre*path + fixed. A linear
// model is what a shop can calibrate with a stopwatch: measure a short and a long job (common practice, no source).
func Work(a *tandemv1.Ability, d Demand) time.Duration {
	const metre = 1e6 // micrometres
	t := time.Duration(d.Pieces) * a.GetPerPiece().AsDuration()
	t += time.Duration(float64(d.LengthUm) / metre * float64(a.GetPerMetre().AsDuration()))
	t += time.Duration(float64(d.PathLengthUm) / metre * float64(a.GetPerPathMetre().AsDuration()))
	return t + d.Fixed
}
