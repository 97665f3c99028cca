package contour

import (
	"math"
	"time"

	"tandem/scheduler/badfield"
)

// Motion says how a cutter moves. Speeds of 0.1 to 1 m/s and accelerations of 1 to 30 m/s2 are usual, 30 to 100 ms to
// lower or raise the tool (common practice, no source).
type Motion struct {
	SpeedUmS         int64 // with the tool down, um/s
	TravelSpeedUmS   int64 // with the tool up; 0 is SpeedUmS
	AccelerationUmS2 int64 // um/s2, of every move

	// A corner of the file that turns less than FullStopAngle is passed at a speed that would keep within
	// JunctionDeviationUm of it on an arc, a sharper one after a full stop.
	JunctionDeviationUm int64   // 0 is 10
	FullStopAngle       float64 // degrees; 0 is 30

	ToolDown, ToolUp time.Duration
	OvercutUm        int64 // by how much a closed contour is cut beyond its start

	// How often each contour is cut over; 0 is 1.
	KissPasses, PerforatedPasses, ThroughPasses int32

	PerforationCutUm    int64 // 0 is 10,000
	PerforationBridgeUm int64 // left between two cuts; 0 is 1,000
}

const (
	maxSpeedUmS         = 100_000_000       // 100 m/s
	maxAccelerationUmS2 = 1_000_000_000_000 // 1e6 m/s2
	maxToolTime         = time.Minute
	maxPasses           = 100
	maxSmallUm          = 1_000_000 // overcut, deviation, cut and bridge
)

// filled checks m and sets what is 0 to its default.
func (m Motion) filled() (Motion, error) {
	if m.SpeedUmS < 1 || m.SpeedUmS > maxSpeedUmS {
		return m, badfield.New("motion.speed_um_s", "%d: use 1 to %d", m.SpeedUmS, maxSpeedUmS)
	}
	if m.AccelerationUmS2 < 1 || m.AccelerationUmS2 > maxAccelerationUmS2 {
		return m, badfield.New("motion.acceleration_um_s2", "%d: use 1 to %d", m.AccelerationUmS2, int64(maxAccelerationUmS2))
	}
	if !(m.FullStopAngle >= 0 && m.FullStopAngle <= 180) {
		return m, badfield.New("motion.full_stop_angle", "%g: use degrees from 0 to 180, 0 for 30", m.FullStopAngle)
	}
	if m.FullStopAngle == 0 {
		m.FullStopAngle = 30
	}
	for _, f := range []struct {
		field       string
		value       *int64
		usual, most int64
	}{
		{"motion.travel_speed_um_s", &m.TravelSpeedUmS, m.SpeedUmS, maxSpeedUmS},
		{"motion.junction_deviation_um", &m.JunctionDeviationUm, 10, maxSmallUm},
		{"motion.overcut_um", &m.OvercutUm, 0, maxSmallUm},
		{"motion.perforation_cut_um", &m.PerforationCutUm, 10_000, maxSmallUm},
		{"motion.perforation_bridge_um", &m.PerforationBridgeUm, 1_000, maxSmallUm},
	} {
		if *f.value < 0 || *f.value > f.most {
			return m, badfield.New(f.field, "%d: use 0 to %d", *f.value, f.most)
		}
		if *f.value == 0 {
			*f.value = f.usual
		}
	}
	for _, f := range []struct {
		field string
		value time.Duration
	}{{"motion.tool_down", m.ToolDown}, {"motion.tool_up", m.ToolUp}} {
		if f.value < 0 || f.value > maxToolTime {
			return m, badfield.New(f.field, "%v: use 0s to %v", f.value, maxToolTime)
		}
	}
	for _, f := range []struct {
		field string
		value *int32
	}{
		{"motion.kiss_passes", &m.KissPasses},
		{"motion.perforated_passes", &m.PerforatedPasses},
		{"motion.through_passes", &m.ThroughPasses},
	} {
		if *f.value < 0 || *f.value > maxPasses {
			return m, badfield.New(f.field, "%d: use 0 to %d", *f.value, maxPasses)
		}
		if *f.value == 0 {
			*f.value = 1
		}
	}
	return m, nil
}

// Check reports what is wrong with m, as an [*Error], or nil.
func (m Motion) Check() error {
	_, err := m.filled()
	return err
}

func (m *Motion) passes(k Kind) float64 {
	switch k {
	case Perforated:
		return float64(m.PerforatedPasses)
	case Through:
		return float64(m.ThroughPasses)
	default:
		return float64(m.KissPasses)
	}
}

// A drive is a motion in millimetres and seconds.
type drive struct {
	speed, travel, acceleration float64
	deviation                   float64
	fullStop                    float32 // radians
	down, up                    float64
	overcut, cut, bridge        float64
}

func (m *Motion) drive() drive {
	return drive{
		speed: float64(m.SpeedUmS) / 1000, travel: float64(m.TravelSpeedUmS) / 1000,
		acceleration: float64(m.AccelerationUmS2) / 1000, deviation: float64(m.JunctionDeviationUm) / 1000,
		fullStop: float32(m.FullStopAngle * math.Pi / 180),
		down:     m.ToolDown.Seconds(), up: m.ToolUp.Seconds(),
		overcut: float64(m.OvercutUm) / 1000, cut: float64(m.PerforationCutUm) / 1000, bridge: float64(m.PerforationBridgeUm) / 1000,
	}
}

// move is the time from rest to rest over a straight distance: the whole speed is reached from d = v^2/a on (kinematics).
func (d *drive) move(distance, speed float64) float64 {
	a := d.acceleration
	if distance >= speed*speed/a {
		return distance/speed + speed/a
	}
	return 2 * math.Sqrt(distance/a)
}

// leg is the time over a straight distance entered and left at speeds whose squares are given, as is the square of the
// speed in between.
func (d *drive) leg(distance, enter, leave, most float64) float64 {
	a := d.acceleration
	peak := (enter+leave)/2 + a*distance // the square of the speed that accelerating and braking would meet at
	u, w := math.Sqrt(enter), math.Sqrt(leave)
	if peak <= most {
		return max(0, (2*math.Sqrt(peak)-u-w)/a)
	}
	v := math.Sqrt(most)
	return max(0, (2*v-u-w)/a) + max(0, distance-(most-(enter+leave)/2)/a)/v
}

// corner returns the square of the speed at which the knife may pass from a chord a to a chord b.
//
// A turn of the file's own, of less than the full stop, is rounded by an arc within the deviation of the corner:
// v^2 = a delta sin(th/2) / (1 - sin(th/2)) with the inner angle th (open motion controllers, from memory; it follows from
// the arc that is tangent to both sides and passes delta from the corner, with v^2 = a r).
//
// At any turn, and on a flattened curve at nothing else, the arc that is tangent to both chords at half the shorter one
// bounds the speed: v^2 = a r with r = l/2 tan(th/2). On a circle that is the circle, however finely it was flattened,
// where the first formula alone would let the speed grow with the number of chords.
func (d *drive) corner(a, b Point, la, lb float64, fileTurn float32) float64 {
	cross, dot := math.Abs(a.cross(b))/(la*lb), a.dot(b)/(la*lb)
	limit := d.speed * d.speed
	if cross > 0 {
		limit = min(limit, d.acceleration*min(la, lb)/2*max(0, 1+dot)/cross) // (1+cos)/sin of the turn is tan(th/2)
	} else if dot < 0 {
		return 0
	}
	if fileTurn == smooth || fileTurn == 0 {
		return limit
	}
	if fileTurn > d.fullStop {
		return 0
	}
	half := math.Cos(float64(fileTurn) / 2) // sin(th/2)
	if half < 1 {
		limit = min(limit, d.acceleration*d.deviation*half/(1-half))
	}
	return limit
}
