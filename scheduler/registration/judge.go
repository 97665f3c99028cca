package registration

import (
	"fmt"
	"math"
	"strings"

	"tandem/scheduler/badfield"
)

// Limits are what a panel may be off before it cannot be the right one. A zero takes the usual figure.
type Limits struct {
	ResidualUm      float64 // greatest residual of a mark; usually 300 (common practice, no source)
	ScaleShare      float64 // of either axis; usually 0.01, 1 % (common practice, no source)
	SkewDegrees     float64 // usually 0.5 (common practice, no source)
	RotationDegrees float64 // usually 5, at most 45 (common practice, no source)
}

// Usual returns l with the usual figure for each zero. A negative, not finite or too large one gives an *Error.
func (l Limits) Usual() (Limits, error) {
	for _, f := range []struct {
		name        string
		v           *float64
		usual, most float64
	}{
		{"residual_um", &l.ResidualUm, 300, mostUm},
		{"scale_share", &l.ScaleShare, 0.01, 0.5},
		{"skew_degrees", &l.SkewDegrees, 0.5, 45},
		{"rotation_degrees", &l.RotationDegrees, 5, 45},
	} {
		if !(*f.v >= 0 && *f.v <= f.most) {
			return Limits{}, badfield.New(f.name, "is %v: give more than 0 and at most %v, or 0 for the usual %v", *f.v, f.most, f.usual)
		}
		if *f.v == 0 {
			*f.v = f.usual
		}
	}
	return l, nil
}

// Cause is a reason to refuse a panel.
type Cause string

// The causes.
const (
	Mirrored Cause = "mirrored" // face down, or the file of the other side, or marks read in the wrong order
	Turned   Cause = "turned"   // lies the other way round: by 180 degrees
	Across   Cause = "across"   // lies a quarter turn off
	Rotated  Cause = "rotated"  // lies askew
	Scaled   Cause = "scaled"
	Skewed   Cause = "skewed"
	Misfit   Cause = "misfit" // a mark lies where it should not
	NoLimit  Cause = "limits" // the limits themselves are bad
	NoFit    Cause = "no-fit" // no fit was given
)

// Verdict is whether a panel may be the right one. An accepted panel is not proven to be it: its code is to be scanned
// as well, all the more where the marks stand on a symmetric figure and are always read in the cutter's order: then a panel
// that lies the other way round reads like one that does not.
type Verdict struct {
	Accepted bool
	Causes   []Cause // empty if accepted
	Reason   string  // one sentence for people; empty if accepted
	Note     string  // what the marks could not show; may be there in either case
}

// Judge compares a fit with the limits. A panel that is mirrored is judged by that and its residual alone, since
// rotation and skew mean nothing then.
func Judge(q Quality, l Limits) Verdict {
	l, err := l.Usual()
	if err != nil {
		return Verdict{Causes: []Cause{NoLimit}, Reason: "cannot be judged: the limit " + err.Error()}
	}
	if !q.complete() {
		return Verdict{Causes: []Cause{NoFit}, Reason: "cannot be judged: the figures are not those of a fit; fit the readings first"}
	}
	var v Verdict
	var why []string
	refuse := func(c Cause, format string, args ...any) {
		v.Causes = append(v.Causes, c)
		why = append(why, fmt.Sprintf(format, args...))
	}
	if q.ScaleY < 0 {
		refuse(Mirrored, "it is mirrored: it lies face down, the file is that of the other side, or the marks were read in another order")
	} else {
		judgeRotation(q.Rotation, l.RotationDegrees, refuse)
		if math.Abs(q.Skew) > l.SkewDegrees {
			refuse(Skewed, "its axes are off the right angle by %.3f degrees, at most %v is allowed", q.Skew, l.SkewDegrees)
		}
	}
	for _, s := range []struct {
		axis  string
		scale float64
	}{{"x", q.ScaleX}, {"y", math.Abs(q.ScaleY)}} {
		if off := s.scale - 1; math.Abs(off) > l.ScaleShare {
			refuse(Scaled, "its scale along %s is %.4f, off by %+.2f %%, at most %.4g %% is allowed", s.axis, s.scale, 100*off, 100*l.ScaleShare)
		}
	}
	if q.MaxResidualUm > l.ResidualUm {
		refuse(Misfit, "mark %d is %.3f mm from where the others put it, at most %.3f mm is allowed", q.worst()+1, q.MaxResidualUm/1000, l.ResidualUm/1000)
	}
	switch q.Marks {
	case 2:
		v.Note = "two marks show neither skew nor mirroring, nor a bad reading"
	case 3:
		v.Note = "three marks do not show a bad reading"
	}
	v.Accepted = len(why) == 0
	if !v.Accepted {
		v.Reason = "cannot be the right panel: " + strings.Join(why, "; ")
	}
	return v
}

func judgeRotation(degrees, most float64, refuse func(Cause, string, ...any)) {
	switch off := math.Abs(degrees); {
	case off <= most:
	case 180-off <= most:
		refuse(Turned, "it is turned by 180 degrees (%.2f): turn it round and read the marks again", degrees)
	case math.Abs(off-90) <= most:
		refuse(Across, "it lies across, a quarter turn off (%.2f degrees): turn it and read the marks again", degrees)
	default:
		refuse(Rotated, "it is rotated by %.2f degrees, at most %v is allowed: straighten it and read the marks again", degrees, most)
	}
}

// complete says whether the figures can come from Fit.
func (q Quality) complete() bool {
	if q.Marks < 2 || len(q.ResidualUm) != q.Marks || q.ScaleX <= 0 || q.ScaleY == 0 {
		return false
	}
	for _, v := range append([]float64{q.ScaleX, q.ScaleY, q.Rotation, q.Skew, q.RMSUm, q.MaxResidualUm}, q.ResidualUm...) {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

func (q Quality) worst() int {
	w := 0
	for i, r := range q.ResidualUm {
		if r > q.ResidualUm[w] {
			w = i
		}
	}
	return w
}
