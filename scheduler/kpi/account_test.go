package kpi

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
)

var begin = time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC) // a Monday

func at(d time.Duration) time.Time { return begin.Add(d) }

// randomPast makes a device's changes and runs, in and around a week.
func randomPast(rng *rand.Rand) ([]Change, []Run) {
	when := func() time.Time { return begin.Add(time.Duration(rng.Int64N(int64(9*24*time.Hour))) - 24*time.Hour) }
	var changes []Change
	for range rng.IntN(60) {
		c := Change{
			At: when(), Link: tandemv1.Link(rng.IntN(4)), State: tandemv1.DeviceState(rng.IntN(6)), Phase: tandemv1.DevicePhase(rng.IntN(8)),
			Paused: rng.IntN(6) == 0, Broken: rng.IntN(2) == 0, Absent: rng.IntN(20) == 0, Reasons: []string{[]string{"media-jam", "media-empty-error", "media-low-warning"}[rng.IntN(3)]},
		}
		if rng.IntN(8) == 0 {
			c.Locked = "mira"
		}
		changes = append(changes, c)
	}
	slices.SortStableFunc(changes, func(a, b Change) int { return a.At.Compare(b.At) })
	var runs []Run
	for range rng.IntN(40) {
		r := Run{Granted: when()}
		if rng.IntN(8) > 0 {
			r.Started = r.Granted.Add(time.Duration(rng.Int64N(int64(3 * time.Hour))))
		}
		if rng.IntN(8) > 0 {
			r.Ended = later(r.Granted, r.Started).Add(time.Duration(rng.Int64N(int64(5 * time.Hour))))
		}
		runs = append(runs, r)
	}
	return changes, runs
}

// Whatever a device did, the classes of its time add up to the period exactly, and so do those of its days to those of the whole.
func TestClassesAddUpToThePeriod(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 5))
	file := &tandemv1.FloorFile{
		TimeZone: "Europe/Berlin",
		Shifts:   []*tandemv1.Shift{{Id: "early", From: "06:00", To: "14:00"}, {Id: "late", Days: []string{"mon", "sat"}, From: "13:30", To: "02:00"}},
	}
	for n := range 300 {
		changes, runs := randomPast(rng)
		in := Interval{at(0), at(7 * 24 * time.Hour)}
		if n%3 == 0 {
			in = Interval{at(time.Duration(rng.Int64N(int64(48 * time.Hour)))), at(48*time.Hour + time.Duration(rng.Int64N(int64(96*time.Hour))))}
		}
		p := Past{Interval: in, Floors: []Floor{{File: file}}}
		hours, err := p.Planned()
		if err != nil {
			t.Fatal(err)
		}
		spans := Spans(in, changes, runs)
		for i, s := range spans {
			if i == 0 && !s.From.Equal(in.From) || i > 0 && !s.From.Equal(spans[i-1].To) || i == len(spans)-1 && !s.To.Equal(in.To) || !s.From.Before(s.To) {
				t.Fatalf("case %d: span %d of %d is %v to %v", n, i, len(spans), s.From, s.To)
			}
		}
		a := NewAccount(in, spans, hours)
		if a.Total() != in.Length() {
			t.Fatalf("case %d: the classes are %v, the period %v", n, a.Total(), in.Length())
		}
		for _, d := range []Division{Days, Weeks} {
			parts, err := p.Parts(d)
			if err != nil {
				t.Fatal(err)
			}
			var sum Account
			for _, part := range parts {
				one := NewAccount(part.Interval, spans, hours)
				if one.Total() != part.Length() {
					t.Fatalf("case %d: the classes of a part are %v, the part %v", n, one.Total(), part.Length())
				}
				for c := range Classes {
					sum.Planned[c] += one.Planned[c]
					sum.Outside[c] += one.Outside[c]
				}
			}
			if sum != a {
				t.Fatalf("case %d: the parts add up to %v, the whole is %v", n, sum, a)
			}
		}
		// Planned busy time is busy, down, idle, waiting and silence, and nothing else.
		got := a.Times()
		if sum := got.AUBT + got.ADOT + a.Planned[Idle] + a.Planned[Waiting] + a.Silence(); got.PBT != sum {
			t.Fatalf("case %d: PBT %v, its parts are %v", n, got.PBT, sum)
		}
		if got.APT > got.AUPT || got.AUPT > got.AUBT || got.AUBT > got.PBT || got.PBT > got.POT {
			t.Fatalf("case %d: times out of order: %+v", n, got)
		}
	}
}

func TestClasses(t *testing.T) {
	const (
		idle, processing, stopped = tandemv1.DeviceState_DEVICE_STATE_IDLE, tandemv1.DeviceState_DEVICE_STATE_PROCESSING, tandemv1.DeviceState_DEVICE_STATE_STOPPED
		online, offline           = tandemv1.Link_LINK_ONLINE, tandemv1.Link_LINK_OFFLINE
	)
	phase := func(name string) tandemv1.DevicePhase {
		return tandemv1.DevicePhase(tandemv1.DevicePhase_value["DEVICE_PHASE_"+name])
	}
	for _, c := range []struct {
		name            string
		change          Change
		underWay, waits bool
		want            Class
	}{
		{"never heard", Change{}, false, false, NotReported},
		{"silent while it printed", Change{Link: offline, State: processing, Phase: phase("PRODUCTION")}, true, false, Offline},
		{"a daemon has begun", Change{Link: tandemv1.Link_LINK_NOT_YET_REPORTED, State: idle, Phase: phase("IDLE")}, false, false, NotReported},
		{"switched off, its driver says", Change{Link: online, State: stopped, Phase: phase("OFFLINE")}, false, false, Offline},
		{"prints", Change{Link: online, State: processing, Phase: phase("PRODUCTION")}, true, false, Production},
		{"prints the last run while paused", Change{Link: online, State: processing, Phase: phase("PRODUCTION"), Paused: true}, true, false, Production},
		{"no phase told, works", Change{Link: online, State: processing}, true, false, Production},
		{"no phase told, stands still", Change{Link: online, State: stopped}, false, false, Down},
		{"set-up", Change{Link: online, State: processing, Phase: phase("SETUP")}, true, false, Setup},
		{"cleanup", Change{Link: online, State: processing, Phase: phase("CLEANUP")}, false, false, Cleanup},
		{"jam in a run", Change{Link: online, State: stopped, Phase: phase("STOPPED")}, true, false, Delay},
		{"jam without one", Change{Link: online, State: stopped, Phase: phase("STOPPED")}, false, true, Down},
		{"locked", Change{Link: online, State: idle, Phase: phase("IDLE"), Locked: "mira"}, false, false, Maintenance},
		{"locked when it had broken down", Change{Link: online, State: stopped, Phase: phase("STOPPED"), Locked: "mira", Broken: true}, false, false, Down},
		{"calibrates", Change{Link: online, State: stopped, Phase: phase("NON_PRODUCTIVE")}, false, false, Maintenance},
		{"paused", Change{Link: online, State: idle, Phase: phase("IDLE"), Paused: true}, false, true, Paused},
		{"waits for a start", Change{Link: online, State: idle, Phase: phase("IDLE")}, false, true, Waiting},
		{"nothing to do", Change{Link: online, State: idle, Phase: phase("IDLE")}, false, false, Idle},
		{"not in the floor file", Change{Link: online, State: idle, Phase: phase("IDLE"), Absent: true}, false, false, Absent},
	} {
		if got := c.change.class(c.underWay, c.waits); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// A day at a printer, worked out by hand: shift 08:00 to 16:00, work in it and after it, a jam, maintenance, silence at night.
func TestDayByHand(t *testing.T) {
	h := time.Hour
	ch := func(d time.Duration, c Change) Change {
		c.At = at(d)
		if c.Link == 0 {
			c.Link = tandemv1.Link_LINK_ONLINE
		}
		return c
	}
	const (
		idle, setup, production, stopped = tandemv1.DevicePhase_DEVICE_PHASE_IDLE, tandemv1.DevicePhase_DEVICE_PHASE_SETUP, tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED
	)
	p := Past{
		Interval: Interval{at(0), at(24 * h)},
		Floors: []Floor{{File: &tandemv1.FloorFile{
			Devices: []*tandemv1.Device{{Id: "printer-1", Abilities: []*tandemv1.Ability{{Operation: "print"}}}},
			Shifts:  []*tandemv1.Shift{{Id: "day", From: "08:00", To: "16:00"}},
		}}},
		Devices: []Device{{ID: "printer-1", Changes: []Change{
			ch(-h, Change{Phase: idle}),
			ch(2*h, Change{Link: tandemv1.Link_LINK_OFFLINE, Phase: idle, Reasons: []string{"timed-out"}}),
			ch(7*h, Change{Phase: idle}),
			ch(9*h, Change{Phase: setup}),
			ch(9*h+30*time.Minute, Change{Phase: production}),
			ch(11*h, Change{Phase: stopped, Reasons: []string{"media-jam", "media-low-warning"}}),
			ch(11*h+15*time.Minute, Change{Phase: production}),
			ch(12*h, Change{Phase: idle}),
			ch(13*h, Change{Phase: idle, Locked: "mira", Note: "wipe the heads"}),
			ch(14*h, Change{Phase: idle}),
			ch(15*h, Change{Phase: production}),
			ch(18*h, Change{Phase: idle}),
		}}},
		Runs: []Run{
			{Device: "printer-1", Fence: 1, Granted: at(8 * h), Started: at(9 * h), Ended: at(12 * h), Pieces: 100, Good: 98, Spoiled: 2, Planned: 2 * h, Supply: "vinyl", WidthUm: 1e6, LengthUm: 20e6, State: tandemv1.JobState_JOB_STATE_COMPLETED},
			{Device: "printer-1", Fence: 2, Granted: at(15 * h), Started: at(15 * h), Ended: at(18 * h), Pieces: 50, Good: 50, Planned: 3 * h, Supply: "foil", Mode: "fine", WidthUm: 1e6, LengthUm: 30e6, State: tandemv1.JobState_JOB_STATE_COMPLETED},
		},
	}
	parts, err := p.Parts(Whole)
	if err != nil {
		t.Fatal(err)
	}
	got, err := p.DeviceParts(parts, nil)
	if err != nil || len(got) != 1 {
		t.Fatal(got, err)
	}
	v := got[0]
	for c, want := range map[Class][2]time.Duration{
		Production:  {2*h + 15*time.Minute + h, 2 * h},
		Setup:       {30 * time.Minute, 0},
		Delay:       {15 * time.Minute, 0},
		Maintenance: {h, 0},
		Waiting:     {h, 0},
		Idle:        {2 * h, 2*h + h + 6*h},
		Offline:     {0, 5 * h},
	} {
		if v.Account.Planned[c] != want[0] || v.Account.Outside[c] != want[1] {
			t.Errorf("%v: %v in the shift and %v outside of it, want %v and %v", c, v.Account.Planned[c], v.Account.Outside[c], want[0], want[1])
		}
	}
	if want := (Times{POT: 10 * h, PBT: 9 * h, APT: 5*h + 15*time.Minute, ASUT: 30 * time.Minute, AUPT: 5*h + 45*time.Minute, ADET: 15 * time.Minute, AUBT: 6 * h}); v.Times != want {
		t.Errorf("times %+v, want %+v", v.Times, want)
	}
	near(t, "by hand", Find(v.Values, "availability"), 5.25/9)
	near(t, "by hand", Find(v.Values, "effectiveness"), 5/5.25)
	near(t, "by hand", Find(v.Values, "quality-ratio"), 148.0/150)
	if v.AreaM2 != 50 || v.Changes != (Changeovers{Media: 1, Any: 1}) {
		t.Errorf("area %v, changeovers %+v", v.AreaM2, v.Changes)
	}
	if len(v.Standing) != 3 || v.Standing[2] != (Standing{Class: Delay, Why: "media-jam", Times: 1, Long: 15 * time.Minute}) || v.Standing[1].Why != "wipe the heads" {
		t.Errorf("standing %+v", v.Standing)
	}
	night, err := p.Watch(nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(night.Standing) != 3 || night.Standing[1].Class != Delay || night.Standing[1].Device != "printer-1" || !night.Devices[0].LastWork.Equal(at(18*h)) {
		t.Errorf("night %+v", night)
	}
}

// A run over the end of a shift: what it should have taken counts where its pieces were made, so that set-up in the first shift makes
// neither look better. By hand: 30 min set-up, 30 min and 90 min production for planned 2 h.
func TestRunOverTwoParts(t *testing.T) {
	h := time.Hour
	online := func(d time.Duration, phase tandemv1.DevicePhase) Change {
		return Change{At: at(d), Link: tandemv1.Link_LINK_ONLINE, Phase: phase}
	}
	run := Run{Device: "printer-1", Granted: at(7 * h), Started: at(7 * h), Ended: at(9*h + 30*time.Minute), Pieces: 40, Good: 40, Planned: 2 * h}
	device := Device{ID: "printer-1", Changes: []Change{
		online(0, tandemv1.DevicePhase_DEVICE_PHASE_IDLE), online(7*h, tandemv1.DevicePhase_DEVICE_PHASE_SETUP),
		online(7*h+30*time.Minute, tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION), online(9*h+30*time.Minute, tandemv1.DevicePhase_DEVICE_PHASE_IDLE),
	}}
	floors := []Floor{{File: &tandemv1.FloorFile{Devices: []*tandemv1.Device{{Id: "printer-1"}}}}}
	for _, in := range []Interval{{at(0), at(12 * h)}, {at(6 * h), at(8 * h)}, {at(8 * h), at(10 * h)}} {
		p := Past{Interval: in, Floors: floors, Devices: []Device{device}, Runs: []Run{run}}
		got, err := p.DeviceParts([]Part{{Interval: in}}, nil)
		if err != nil || len(got) != 1 {
			t.Fatal(got, err)
		}
		near(t, "by hand", Find(got[0].Values, "effectiveness"), 1)
	}
}
