package simulate

import (
	"errors"
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
	"tandem/scheduler/learn"
)

// present is a floor in the middle of its day: a printer and a cutter, and jobs that are printed (20 min) and cut (30 min).
type present struct {
	t   *testing.T
	f   *floor.Floor
	now time.Time
}

func newPresent(t *testing.T) *present {
	p := &present{t: t, f: floor.New(), now: opening}
	p.do(floor.BeginTerm{})
	p.do(floor.Configure{File: floorOf(station("printer", "print"), station("cutter", "cut"))})
	for _, id := range []string{"printer", "cutter"} {
		p.do(floor.Greet{Device: id, Status: &driverv1.Status{Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE}})
	}
	return p
}

func (p *present) do(c floor.Command) {
	p.t.Helper()
	d, err := p.f.Decide(p.now, floor.Meta{Actor: "mira"}, c)
	if err != nil {
		p.t.Fatalf("%T: %v", c, err)
	}
	for _, e := range d.Events {
		p.f.Apply(p.f.Revision+1, p.now, e)
	}
}

func (p *present) take(id string) {
	p.t.Helper()
	p.do(floor.CreateJob{Job: &tandemv1.Job{Id: id, Pieces: 1, Steps: []*tandemv1.Step{
		{Id: "print", Operation: "print", Duration: durationpb.New(20 * time.Minute)}, {Id: "cut", Operation: "cut", Duration: durationpb.New(30 * time.Minute), After: []string{"print"}},
	}}})
}

// begin grants a step to its device and lets it begin.
func (p *present) begin(id, step, device string) *floor.Run {
	p.t.Helper()
	j, _ := p.f.Job(id)
	s, _ := j.Step(step)
	d, _ := p.f.Device(device)
	p.do(floor.Grant{Step: s, Device: d, Expected: d.Estimate(s, p.now)})
	p.say(s.Live, tandemv1.JobState_JOB_STATE_PROCESSING, tandemv1.DeviceState_DEVICE_STATE_PROCESSING)
	return s.Live
}

// say reports a state of a run and of its device.
func (p *present) say(r *floor.Run, state tandemv1.JobState, device tandemv1.DeviceState) {
	p.t.Helper()
	p.do(floor.Report{Device: r.Device.ID, Status: &driverv1.Status{
		Epoch: 1, State: device, Link: tandemv1.Link_LINK_ONLINE, Runs: []*driverv1.RunStatus{{Run: r.ID, Fence: r.Fence, State: state}},
	}})
}

func (p *present) play(fu Future, jobs ...string) map[string]time.Duration {
	p.t.Helper()
	fu.Start, fu.Until, fu.Jobs = p.now, p.now.Add(30*24*time.Hour), jobs
	ends, err := Forward(p.f.CloneOpen(), fu)
	if err != nil {
		p.t.Fatal(err)
	}
	out := map[string]time.Duration{}
	for id, at := range ends {
		out[id] = at.Sub(opening)
	}
	return out
}

func TestWorkUnderWayGoesOn(t *testing.T) {
	p := newPresent(t)
	p.take("a")
	p.begin("a", "print", "printer")
	p.now = p.now.Add(5 * time.Minute)
	p.take("b")
	before := p.f.Revision
	// a: printed at 20, cut at 50. b: printed at 40, cut from 50 to 80.
	got := p.play(Future{}, "a", "b", "nobody")
	if got["a"] != 50*time.Minute || got["b"] != 80*time.Minute || len(got) != 2 {
		t.Errorf("as expected: %v", got)
	}
	// The run works on for as long as is said; people take two minutes to come to the cutter.
	got = p.play(Future{
		Options: Options{React: func(*floor.Run) time.Duration { return 2 * time.Minute }},
		Left:    func(*floor.Run) time.Duration { return 25 * time.Minute },
	}, "a")
	if got["a"] != (5+25+2+30)*time.Minute {
		t.Errorf("with 25 minutes left: %v", got)
	}
	// A fault in it: ten minutes' work, an hour's repair.
	stops := func(r *floor.Run, _ time.Duration) []Stop {
		if r.Device.ID == "printer" && r.Step.Job.ID == "a" {
			return []Stop{{After: 10 * time.Minute, For: time.Hour}}
		}
		return nil
	}
	if got = p.play(Future{Options: Options{Stops: stops}}, "a", "b"); got["a"] != 110*time.Minute || got["b"] != 140*time.Minute {
		t.Errorf("with a fault: %v", got)
	}
	if j, _ := p.f.Job("a"); j.Steps[0].Live == nil || p.f.Revision != before {
		t.Errorf("the present has moved: revision %d", p.f.Revision)
	}
}

func TestWhatIsOutStandsStillOrIsUnknown(t *testing.T) {
	repair := func(*floor.Device) time.Duration { return 45 * time.Minute }
	for _, tt := range []struct {
		name   string
		before func(*present)
		want   time.Duration // 0: no end
	}{
		{"a run stands still: it goes on with what is left", func(p *present) {
			r := p.begin("a", "print", "printer")
			p.now = p.now.Add(5 * time.Minute)
			p.say(r, tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, tandemv1.DeviceState_DEVICE_STATE_STOPPED)
		}, (5 + 45 + 15 + 30) * time.Minute},
		{"a device stands still without a run", func(p *present) {
			p.do(floor.Report{Device: "cutter", Status: &driverv1.Status{Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_STOPPED}})
		}, (45 + 30) * time.Minute},
		{"a run whose outcome nobody knows is done again", func(p *present) {
			p.begin("a", "print", "printer")
			p.do(floor.LoseDevice{Device: "printer"})
		}, (45 + 20 + 30) * time.Minute},
		{"a device is expected back", func(p *present) {
			p.do(floor.PauseDevice{Device: "cutter", Back: p.now.Add(2 * time.Hour)})
		}, (120 + 30) * time.Minute},
		{"a locked one, too", func(p *present) {
			p.do(floor.LockDevice{Device: "printer", Back: p.now.Add(time.Hour)})
		}, (60 + 20 + 30) * time.Minute},
		{"nobody knows when", func(p *present) { p.do(floor.PauseDevice{Device: "cutter"}) }, 0},
		{"the job is held", func(p *present) { p.do(floor.HoldJob{Job: "a"}) }, 0},
		{"after a restart nobody has reported", func(p *present) { p.do(floor.BeginTerm{}) }, 50 * time.Minute},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := newPresent(t)
			p.take("a")
			tt.before(p)
			got := p.play(Future{Repair: repair, Left: func(r *floor.Run) time.Duration { return r.Expected - r.Worked(p.now) }}, "a")
			if got["a"] != tt.want {
				t.Errorf("ends after %v, want %v", got["a"], tt.want)
			}
		})
	}
}

func TestWhatComesIn(t *testing.T) {
	p := newPresent(t)
	p.take("a")
	n := 0
	comes := func() (Arrival, bool) {
		if n++; n > 2 {
			return Arrival{}, false
		}
		job := &tandemv1.Job{Id: "rush", Priority: 100, Pieces: 1, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut", Duration: durationpb.New(time.Hour)}}}
		return Arrival{At: p.now.Add(time.Minute), Job: job}, true // the second has the same id: the floor refuses it
	}
	if got := p.play(Future{Arrivals: comes}, "a"); got["a"] != (1+60+30)*time.Minute {
		t.Errorf("with a rush at the cutter it ends after %v", got["a"])
	}
	if _, err := Forward(p.f.CloneOpen(), Future{Options: Options{Start: p.now}}); !errors.Is(err, errNoTimes) {
		t.Errorf("without an end: %v", err)
	}
}

// What a run has left is drawn from the durations that are longer than it has worked already: of many draws, nine of ten are
// below the conditional quantile that learn gives, and none is negative.
func TestRestOfARun(t *testing.T) {
	known := learn.New(nil)
	k := learn.Key{Device: "cutter-1", Operation: "cut"}
	for i := range 60 {
		actual := time.Duration((0.7 + 0.01*float64(i*37%60)) * float64(time.Hour))
		if err := known.Observe(k, learn.Observation{Predicted: time.Hour, Actual: actual, Done: 1}); err != nil {
			t.Fatal(err)
		}
	}
	r := runOf("x", "cutter-1", 1)
	for _, worked := range []time.Duration{0, 40 * time.Minute, time.Hour, 70 * time.Minute} {
		behind := Behind(known, r, worked)
		const plays = 4000
		below := 0
		limit := known.Quantile(k, time.Hour, behind+0.9*(1-behind))
		for n := range uint64(plays) {
			rest := NewDoubts(5, n, known).Rest(r, worked, behind)
			if rest < 0 {
				t.Fatalf("%v left", rest)
			}
			if worked+rest <= limit {
				below++
			}
		}
		if share := float64(below) / plays; math.Abs(share-0.9) > 0.02 {
			t.Errorf("after %v: %.3f of the runs end in time, want 0.9", worked, share)
		}
	}
	if b := Behind(known, r, time.Hour); math.Abs(b-0.5) > 0.05 {
		t.Errorf("half of the runs take an hour: %.3f", b)
	}
	// Far beyond all that is known it goes on for as long again as it is late, on average.
	worked, sum := 10*time.Hour, time.Duration(0)
	const plays = 4000
	for n := range uint64(plays) {
		sum += NewDoubts(5, n, known).Rest(r, worked, Behind(known, r, worked))
	}
	if mean := (sum / plays).Hours(); math.Abs(mean-9) > 0.6 {
		t.Errorf("ten hours instead of one: %.1f hours left on average, want about 9", mean)
	}
}

// A device that has left the floor file with work on it is not heard any more; everybody else's dates go on.
func TestDeviceThatHasLeftTheFloorFile(t *testing.T) {
	for name, state := range map[string]tandemv1.JobState{
		"begun": tandemv1.JobState_JOB_STATE_PROCESSING, "stands still": tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, "waits": tandemv1.JobState_JOB_STATE_PENDING,
	} {
		t.Run(name, func(t *testing.T) {
			p := newPresent(t)
			p.take("a")
			r := p.begin("a", "print", "printer")
			p.say(r, state, tandemv1.DeviceState_DEVICE_STATE_STOPPED)
			p.do(floor.Configure{File: floorOf(station("other", "print"), station("cutter", "cut"))})
			p.do(floor.BeginTerm{}) // the file is another after a restart only
			p.take("b")
			if got := p.play(Future{}, "a", "b"); len(got) != 1 || got["b"] != 50*time.Minute {
				t.Errorf("got ends %v, want b after 50m, and none of a: a person must say what became of its run", got)
			}
		})
	}
}

// A run that was let begin when its device was lost cannot be seen to before nobody can hear of the start any more.
func TestLostBeforeItWasHeardToBegin(t *testing.T) {
	p := newPresent(t)
	p.take("a")
	j, _ := p.f.Job("a")
	d, _ := p.f.Device("printer")
	p.do(floor.Grant{Step: j.Steps[0], Device: d, Expected: d.Estimate(j.Steps[0], p.now)})
	p.do(floor.LoseDevice{Device: "printer"})
	if got := p.play(Future{}, "a"); got["a"] < 50*time.Minute {
		t.Errorf("got ends %v, want a after 50m or more", got)
	}
}
