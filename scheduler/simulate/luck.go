package simulate

import (
	"math"
	"time"

	"tandem/scheduler/floor"
	"tandem/scheduler/learn"
	"tandem/scheduler/simulate/chance"
)

// Luck draws how long runs take, from what is known of the devices that do them. It gives the same luck on every floor: the
// k-th run of a step has the same number wherever it is done, and so has a device. What differs between two floors that are
// played with the same luck is then the floors.
//
// What is not known of a device is the same for all its runs: a device that is slower than its figures say is so all day. So
// part of the luck belongs to the device, as much as its own speed is uncertain beside the spread of its runs. A device of
// which no run is known is taken at its figures: its runs spread about them, as its operation's do or are assumed to.
type Luck struct {
	key     chance.Key
	known   *learn.Model
	devices map[learn.Key]deviceLuck
}

// deviceLuck is the part of a device: a standard normal number, and its share of the variance.
type deviceLuck struct{ number, share float64 }

// NewLuck returns the luck of one play. Known says what devices take; it must not change while it is used.
func NewLuck(seed, play uint64, known *learn.Model) *Luck {
	return &Luck{key: chance.Of(seed).Number(play), known: known, devices: map[learn.Key]deviceLuck{}}
}

// Duration returns how long a run takes. It is for Options.Duration.
func (l *Luck) Duration(r *floor.Run) time.Duration {
	predicted := r.Model
	if predicted <= 0 {
		return r.Expected
	}
	k := learn.Key{Device: r.Device.ID, Operation: r.Step.Operation(), Mode: r.Step.Spec.GetMode()}
	d := l.device(k)
	run := normal(l.key.Word("run").Word(r.Step.Job.ID).Word(r.Step.ID()).Number(uint64(r.Number)).Uniform())
	z := math.Sqrt(d.share)*d.number + math.Sqrt(1-d.share)*run
	return l.known.Quantile(k, predicted, math.Erfc(-z/math.Sqrt2)/2)
}

func (l *Luck) device(k learn.Key) deviceLuck {
	d, ok := l.devices[k]
	if !ok {
		runs := l.known.Estimate(k, time.Hour).Samples
		d.share = deviceShare(k.Operation, runs)
		if runs > 0 {
			d.number = normal(l.key.Word("device").Word(k.Device).Word(k.Operation).Word(k.Mode).Uniform())
		}
		l.devices[k] = d
	}
	return d
}

// deviceShare returns how much of the variance of the next run comes from not knowing the device, after so many runs of it:
// with the variances b between devices and w within one, the device's own mean is known to w/(w/b+n).
func deviceShare(operation string, runs int) float64 {
	p := learn.Assumed(operation)
	w, b := p.Within*p.Within, p.Between*p.Between
	return 1 / (w/b + float64(runs) + 1)
}

// normal returns the u-quantile of the standard normal distribution.
func normal(u float64) float64 { return math.Sqrt2 * math.Erfinv(2*u-1) }
