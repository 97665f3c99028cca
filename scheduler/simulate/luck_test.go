package simulate

import (
	"fmt"
	"math"
	"testing"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
	"tandem/scheduler/learn"
)

// runOf is a run of a step on a device, an hour long by the model.
func runOf(job, device string, number int32) *floor.Run {
	s := &floor.Step{Job: &floor.Job{ID: job}, Spec: &tandemv1.Step{Id: "cut", Operation: "cut"}}
	return &floor.Run{ID: "run", Number: number, Step: s, Device: &floor.Device{ID: device}, Model: time.Hour, Expected: 2 * time.Hour}
}

// The k-th run of a step has the same luck on every floor, on devices of which nothing is known also on every device; another
// run, job, play or seed has another.
func TestLuckIsTheSameEverywhere(t *testing.T) {
	a, b := NewLuck(1, 2, learn.New(nil)), NewLuck(1, 2, learn.New(nil))
	first := a.Duration(runOf("x", "cutter-1", 1))
	b.Duration(runOf("y", "cutter-9", 1)) // what was asked before does not matter
	if got := b.Duration(runOf("x", "cutter-1", 1)); got != first {
		t.Errorf("the same run takes %v and %v", first, got)
	}
	if got := b.Duration(runOf("x", "cutter-2", 1)); got != first {
		t.Errorf("on another device of which nothing is known it takes %v, not %v", got, first)
	}
	for what, got := range map[string]time.Duration{
		"another job": a.Duration(runOf("y", "cutter-1", 1)), "the second run": a.Duration(runOf("x", "cutter-1", 2)),
		"another play": NewLuck(1, 3, learn.New(nil)).Duration(runOf("x", "cutter-1", 1)),
		"another seed": NewLuck(2, 2, learn.New(nil)).Duration(runOf("x", "cutter-1", 1)),
	} {
		if got == first {
			t.Errorf("%s takes exactly as long", what)
		}
	}
}

// Over many plays a run takes what is known of its device: nine of ten lie between the 5 % and 95 % that learn gives, half
// below its median. Within one play its runs go together as far as the device is uncertain.
func TestLuckKeepsToWhatIsKnown(t *testing.T) {
	known := learn.New(nil)
	k := learn.Key{Device: "cutter-1", Operation: "cut"}
	for i := range 4 {
		actual := time.Duration((1.3 + 0.1*float64(i%2)) * float64(time.Hour))
		if err := known.Observe(k, learn.Observation{Predicted: time.Hour, Actual: actual, Done: 1}); err != nil {
			t.Fatal(err)
		}
	}
	e := known.Estimate(k, time.Hour)
	const plays = 4000
	within, below := 0, 0
	var together, own float64
	for n := range uint64(plays) {
		l := NewLuck(3, n, known)
		x, y := l.Duration(runOf("x", "cutter-1", 1)), l.Duration(runOf("y", "cutter-1", 1))
		if x >= e.Low && x <= e.High {
			within++
		}
		if x < e.P50 {
			below++
		}
		u, v := math.Log(float64(x)/float64(e.P50)), math.Log(float64(y)/float64(e.P50))
		together += u * v
		own += (u*u + v*v) / 2
	}
	if p := float64(within) / plays; math.Abs(p-0.9) > 4*math.Sqrt(0.09/plays) {
		t.Errorf("%.3f lie within the 90 %% interval", p)
	}
	if p := float64(below) / plays; math.Abs(p-0.5) > 4*math.Sqrt(0.25/plays) {
		t.Errorf("%.3f lie below the median", p)
	}
	if got, want := together/own, deviceShare("cut", 4); math.Abs(got-want) > 0.1 {
		t.Errorf("runs of one play go together by %.2f, want %.2f", got, want)
	}
	if one, many := deviceShare("cut", 1), deviceShare("cut", 100); one < 0.3 || many > 0.02 {
		t.Errorf("after one run the device has %.2f of the variance, after 100 %.2f", one, many)
	}
}

// An hour of work whose model says nothing takes what was expected.
func TestLuckWithoutAModel(t *testing.T) {
	r := runOf("x", "cutter-1", 1)
	r.Model = 0
	if got := NewLuck(1, 1, learn.New(nil)).Duration(r); got != r.Expected {
		t.Errorf("takes %v, want %v", got, fmt.Sprint(r.Expected))
	}
}
