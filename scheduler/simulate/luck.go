package simulate

import (
	"math"
	"time"

	"tandem/scheduler/chance"
	"tandem/scheduler/floor"
	"tandem/scheduler/learn"
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
	doubts  bool // also of devices of which no run is known
}

// deviceLuck is the part of a device: a standard normal number, and its share of the variance.
type deviceLuck struct{ number, share float64 }

// NewLuck returns the luck of one play. Known says what devices take; it must not change while it is used.
func NewLuck(seed, play uint64, known *learn.Model) *Luck {
	return &Luck{key: chance.Of(seed).Number(play), known: known, devices: map[learn.Key]deviceLuck{}}
}

// NewDoubts returns the luck of one play in which figures are not believed before runs have shown them to be right: a device
// of which no run is known may be as far from them as is assumed of its operation. It is for dates that somebody promises.
func NewDoubts(seed, play uint64, known *learn.Model) *Luck {
	l := NewLuck(seed, play, known)
	l.doubts = true
	return l
}

// Duration returns how long a run takes. It is for Options.Duration.
func (l *Luck) Duration(r *floor.Run) time.Duration {
	predicted := r.Model
	if predicted <= 0 {
		return r.Expected
	}
	k := keyOf(r)
	return l.known.Quantile(k, predicted, l.uniform(r, k))
}

// Rest returns how long a run that has worked for a while will work on: its luck among the durations that are longer than
// that. Behind is the probability that it had ended before, as [Behind] tells it. A run that is longer than any that is known
// works on for as long again as it is over its median on average, and is as likely to end at one time as at another.
func (l *Luck) Rest(r *floor.Run, worked time.Duration, behind float64) time.Duration {
	predicted, k := r.Model, keyOf(r)
	if predicted <= 0 {
		return max(r.Expected-worked, 0)
	}
	u := l.uniform(r, k)
	if behind < farBehind {
		return max(l.known.Quantile(k, predicted, behind+(1-behind)*u)-worked, 0)
	}
	over := max(worked-l.known.Quantile(k, predicted, 0.5), time.Minute)
	return time.Duration(-math.Log1p(-u) * float64(over))
}

// farBehind is the probability beyond which a distribution says nothing any more of a run that goes on.
const farBehind = 0.995

// Behind returns the probability that a run like this one would have ended after so much work.
func Behind(known *learn.Model, r *floor.Run, worked time.Duration) float64 {
	if r.Model <= 0 || worked <= 0 {
		return 0
	}
	k := keyOf(r)
	if known.Quantile(k, r.Model, 0) >= worked {
		return 0
	}
	low, high := 0.0, 1.0
	for range 20 {
		middle := (low + high) / 2
		if known.Quantile(k, r.Model, middle) < worked {
			low = middle
		} else {
			high = middle
		}
	}
	return low
}

func keyOf(r *floor.Run) learn.Key {
	return learn.Key{Device: r.Device.ID, Operation: r.Step.Operation(), Mode: r.Step.Spec.GetMode()}
}

// uniform returns a run's number between 0 and 1.
func (l *Luck) uniform(r *floor.Run, k learn.Key) float64 {
	d := l.device(k)
	run := learn.NormalQuantile(l.of("run", r).Uniform())
	z := math.Sqrt(d.share)*d.number + math.Sqrt(1-d.share)*run
	return math.Erfc(-z/math.Sqrt2) / 2
}

// of returns the key of what happens to a run in one respect.
func (l *Luck) of(what string, r *floor.Run) chance.Key {
	return l.key.Word(what).Word(r.Step.Job.ID).Word(r.Step.ID()).Number(uint64(r.Number))
}

func (l *Luck) device(k learn.Key) deviceLuck {
	d, ok := l.devices[k]
	if !ok {
		runs := l.known.Estimate(k, time.Hour).Samples
		d.share = deviceShare(k.Operation, runs)
		if runs > 0 || l.doubts {
			d.number = learn.NormalQuantile(l.key.Word("device").Word(k.Device).Word(k.Operation).Word(k.Mode).Uniform())
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
