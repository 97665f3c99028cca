package dispatch

import (
	"fmt"
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// shop is a small floor for one dispatcher.
type shop struct {
	floor    *floor.Floor
	dispatch *Dispatch
	now      time.Time
	fail     func(string, ...any)
}

func newShop(fail func(string, ...any), rule Rule, devices ...*tandemv1.Device) *shop {
	s := &shop{floor: floor.New(), dispatch: New(rule), now: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC), fail: fail}
	s.do(floor.BeginTerm{})
	s.do(floor.Configure{File: &tandemv1.FloorFile{Devices: devices}})
	for _, d := range devices {
		s.do(floor.Greet{Device: d.GetId(), Status: idleStatus()})
	}
	return s
}

func idleStatus(runs ...*driverv1.RunStatus) *driverv1.Status {
	return &driverv1.Status{Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE, Runs: runs}
}

func (s *shop) do(c floor.Command) {
	d, err := s.floor.Decide(s.now, floor.Meta{Actor: "test"}, c)
	if err != nil {
		s.fail("%T: %v", c, err)
	}
	for _, e := range d.Events {
		s.floor.Apply(s.floor.Revision+1, s.now, e)
	}
}

// next grants and returns "job device", or "" if nothing is granted.
func (s *shop) next() string {
	g, ok := s.dispatch.Next(s.floor, s.now)
	if !ok {
		return ""
	}
	s.do(g)
	return g.Step.Job.ID + " " + g.Device.ID
}

func (s *shop) begin(device string) {
	d, _ := s.floor.Device(device)
	r := d.Live[0]
	s.do(floor.Report{Device: device, Status: idleStatus(&driverv1.RunStatus{Run: r.ID, Fence: r.Fence, State: tandemv1.JobState_JOB_STATE_PROCESSING})})
}

func (s *shop) end(device string) {
	d, _ := s.floor.Device(device)
	r := d.Live[0]
	s.do(floor.Report{Device: device, Status: idleStatus(&driverv1.RunStatus{
		Run: r.ID, Fence: r.Fence, State: tandemv1.JobState_JOB_STATE_COMPLETED, PiecesGood: r.Pieces,
	})})
}

func (s *shop) expect(t *testing.T, want ...string) {
	t.Helper()
	for _, w := range want {
		if got := s.next(); got != w {
			t.Fatalf("granted %q, want %q", got, w)
		}
	}
}

func printer(id string, perPiece time.Duration) *tandemv1.Device {
	return &tandemv1.Device{Id: id, Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{{
		Operation: "print", PerPiece: durationpb.New(perPiece), MediaChangeover: durationpb.New(10 * time.Minute),
	}}}
}

func poster(id string, pieces int32) *tandemv1.Job {
	return &tandemv1.Job{Id: id, Pieces: pieces, Steps: []*tandemv1.Step{{Id: "print", Operation: "print"}}}
}

func TestTheFasterDeviceGetsItAndIsWaitedForWhereThatIsEarlier(t *testing.T) {
	s := newShop(t.Fatalf, EarliestCompletion, printer("slow", 10*time.Minute), printer("fast", time.Minute))
	s.do(floor.CreateJob{Job: poster("a", 10)})
	s.do(floor.CreateJob{Job: poster("b", 10)})
	s.expect(t, "a fast", "") // b: 20 min behind a on fast, 100 min on slow
	s.begin("fast")
	if w := s.dispatch.Wake(); w.IsZero() || w.After(s.now.Add(10*time.Minute)) {
		t.Errorf("looks again at %v, want when fast should be free", w)
	}
	s.now = s.now.Add(10 * time.Minute)
	s.end("fast")
	s.expect(t, "b fast")
	s.do(floor.CreateJob{Job: poster("c", 1)})
	s.expect(t, "c slow") // 10 min now against 11 min behind b
}

func TestNobodyWaitsForAHangingDeviceForEver(t *testing.T) {
	s := newShop(t.Fatalf, EarliestCompletion, printer("slow", 10*time.Minute), printer("fast", time.Minute))
	s.do(floor.CreateJob{Job: poster("a", 10)})
	s.expect(t, "a fast")
	s.begin("fast")
	s.do(floor.CreateJob{Job: poster("b", 10)})
	for range 600 {
		if got := s.next(); got == "b slow" {
			return
		} else if got != "" {
			t.Fatalf("granted %q", got)
		}
		s.now = s.now.Add(time.Minute)
	}
	t.Fatal("slow stood idle for ten hours beside a device that hangs")
}

func TestADeviceOutOfUseIsNotWaitedFor(t *testing.T) {
	s := newShop(t.Fatalf, EarliestCompletion, printer("slow", 10*time.Minute), printer("fast", time.Minute))
	s.do(floor.PauseDevice{Device: "fast"})
	s.do(floor.CreateJob{Job: poster("a", 10)})
	s.expect(t, "a slow")
}

func TestOrderByDueTimeWeightAndChangeover(t *testing.T) {
	s := newShop(t.Fatalf, EarliestCompletion, printer("printer", time.Minute))
	due := func(j *tandemv1.Job, in time.Duration) *tandemv1.Job {
		j.DueTime = timestamppb.New(s.now.Add(in))
		return j
	}
	for _, j := range []*tandemv1.Job{due(poster("later", 10), 90*time.Minute), due(poster("soon", 10), 20*time.Minute), due(poster("whenever", 10), 20*time.Hour)} {
		s.do(floor.CreateJob{Job: j})
	}
	heavy := due(poster("heavy", 10), 20*time.Minute)
	heavy.Priority = 90
	s.do(floor.CreateJob{Job: heavy})
	for _, want := range []string{"heavy", "soon", "later", "whenever"} {
		s.expect(t, want+" printer", "")
		s.now = s.now.Add(time.Minute)
		s.end("printer")
	}

	media := func(id, m string) *tandemv1.Job {
		j := due(poster(id, 10), 5*time.Hour)
		j.Steps[0].Media = m
		return j
	}
	s.do(floor.LoadMedia{Device: "printer", Media: "white"})
	s.do(floor.CreateJob{Job: media("clear-1", "clear")})
	s.do(floor.CreateJob{Job: media("white-1", "white")})
	s.expect(t, "white-1 printer") // the older one would need a changeover
}

func TestFirstFree(t *testing.T) {
	s := newShop(t.Fatalf, FirstFree, printer("slow", 10*time.Minute), printer("fast", time.Minute))
	for _, id := range []string{"a", "b", "c"} {
		s.do(floor.CreateJob{Job: poster(id, 10)})
	}
	s.expect(t, "a slow", "b fast", "")
	s.end("slow")
	s.expect(t, "c slow")
}

func TestALoadedPanelIsFinishedFirst(t *testing.T) {
	combined := printer("combined", time.Minute)
	combined.Abilities = append(combined.Abilities, &tandemv1.Ability{Operation: "cut", Setup: durationpb.New(5 * time.Minute), ContinuesLoaded: true})
	s := newShop(t.Fatalf, EarliestCompletion, combined)
	a := poster("a", 10)
	a.Steps = append(a.Steps, &tandemv1.Step{Id: "cut", Operation: "cut", After: []string{"print"}})
	s.do(floor.CreateJob{Job: a})
	s.expect(t, "a combined")
	rush := poster("rush", 1)
	rush.Priority = 100
	s.do(floor.CreateJob{Job: rush})
	s.begin("combined")
	s.end("combined")
	g, ok := s.dispatch.Next(s.floor, s.now)
	if !ok || g.Step.ID() != "cut" || g.Expected.Setup != 0 {
		t.Fatalf("granted %v of %v with %v set-up, want the cut of the loaded panel without any", g.Step.ID(), g.Step.Job.ID, g.Expected.Setup)
	}
}

func TestARefusedStepGoesElsewhereAndComesBack(t *testing.T) {
	s := newShop(t.Fatalf, EarliestCompletion, printer("fast", time.Minute), printer("slow", 10*time.Minute))
	s.do(floor.CreateJob{Job: poster("a", 1)})
	s.expect(t, "a fast")
	refuse := func(device string) {
		d, _ := s.floor.Device(device)
		s.do(floor.RefuseRun{Run: d.Live[0].ID, Reason: "no"})
	}
	refuse("fast")
	s.expect(t, "a slow")
	refuse("slow")
	s.expect(t, "")
	s.now = s.now.Add(floor.AskAgainAfter)
	if w := s.dispatch.Wake(); w.After(s.now) {
		t.Errorf("looks again at %v, want now", w)
	}
	s.expect(t, "a fast")
}

// The index finds what reading every waiting step by the formula of the index finds.
func TestIndexAgainstReadingEverything(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := newShop(t.Fatalf, EarliestCompletion, printer("one", time.Minute), printer("two", 2*time.Minute))
		for i := range rapid.IntRange(1, 40).Draw(t, "jobs") {
			j := poster(fmt.Sprintf("job-%d", i), rapid.Int32Range(1, 100).Draw(t, "pieces"))
			j.Priority = rapid.Int32Range(1, 100).Draw(t, "priority")
			j.Steps[0].Media = rapid.SampledFrom([]string{"", "white", "clear"}).Draw(t, "media")
			if rapid.Bool().Draw(t, "due") {
				j.DueTime = timestamppb.New(s.now.Add(time.Duration(rapid.IntRange(-600, 6000).Draw(t, "minutes")) * time.Minute))
			}
			s.do(floor.CreateJob{Job: j})
			s.now = s.now.Add(time.Duration(rapid.IntRange(0, 300).Draw(t, "later")) * time.Minute)
		}
		s.dispatch.index.sync(s.floor, s.now)
		d := s.floor.Devices[rapid.IntRange(0, 1).Draw(t, "device")]
		for range rapid.IntRange(1, 10).Draw(t, "looks") {
			s.now = s.now.Add(time.Duration(rapid.IntRange(0, 1000).Draw(t, "pass")) * time.Minute)
			_, got := s.dispatch.best(s.dispatch.index.byDevice[d], d, s.now)
			want := math.Inf(-1)
			for _, j := range s.floor.Jobs {
				want = max(want, s.formula(j.Steps[0], d))
			}
			if math.Abs(got-want) > 1e-6 {
				t.Fatalf("the index found %v, reading everything %v", got, want)
			}
		}
	})
}

// formula is the logarithm of the ATCS index, written down once more.
func (s *shop) formula(st *floor.Step, d *floor.Device) float64 {
	p := st.Demand("").Pieces // the faster printer takes a minute a piece
	seconds := 60 * float64(p)
	due := st.Job.Create.Add(7 * 24 * time.Hour)
	if t := st.Job.Spec.GetDueTime(); t != nil {
		due = t.AsTime()
	}
	slack := max(due.Sub(s.now).Seconds()-seconds, 0)
	value := math.Log(float64(st.Job.Spec.GetPriority())/seconds) - slack/(StandardScale.Slack*used(s.dispatch.index.means["print"].level))
	if need := st.Supply(); need != "" && need != d.Loaded {
		value -= 1 / StandardScale.Changeover
	}
	return value
}
