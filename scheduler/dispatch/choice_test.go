package dispatch

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// A step that the fast device holds, and that nobody comes to start, does not keep the slow one idle for ever.
func TestNobodyWaitsForEverForAPersonWhoDoesNotCome(t *testing.T) {
	s := newShop(t.Fatalf, EarliestCompletion, printer("slow", 10*time.Minute), printer("fast", time.Minute))
	s.do(floor.CreateJob{Job: poster("a", 10)})
	s.do(floor.CreateJob{Job: poster("b", 10)})
	s.expect(t, "a fast", "")
	began := s.now
	for s.now.Sub(began) < 10*time.Hour {
		wake := s.dispatch.Wake()
		if !wake.After(s.now) {
			t.Fatalf("at %v it will look again at %v", s.now, wake)
		}
		s.now = wake
		if got := s.next(); got == "b slow" {
			return
		} else if got != "" {
			t.Fatalf("granted %q", got)
		}
	}
	t.Fatal("slow stood idle for ten hours beside a device that nobody starts")
}

// A panel that is still loaded is cut before a job is printed that is late and weighs a hundred times as much.
func TestALoadedPanelGoesBeforeARush(t *testing.T) {
	combined := printer("combined", time.Minute)
	combined.Abilities = append(combined.Abilities, &tandemv1.Ability{Operation: "cut", Setup: durationpb.New(5 * time.Minute), ContinuesLoaded: true})
	s := newShop(t.Fatalf, EarliestCompletion, combined)
	a := poster("a", 10)
	a.Priority, a.DueTime = 1, timestamppb.New(s.now.Add(100*24*time.Hour))
	a.Steps = append(a.Steps, &tandemv1.Step{Id: "cut", Operation: "cut", After: []string{"print"}})
	s.do(floor.CreateJob{Job: a})
	s.expect(t, "a combined")
	rush := poster("rush", 1)
	rush.Priority, rush.DueTime = 100, timestamppb.New(s.now.Add(-time.Hour))
	s.do(floor.CreateJob{Job: rush})
	s.end("combined")
	s.expect(t, "a combined")
	s.end("combined")
	s.expect(t, "rush combined")
}

func TestARackTakesAsManyAsItHolds(t *testing.T) {
	rack := &tandemv1.Device{Id: "rack", Capacity: 2, Driver: &tandemv1.Driver{Kind: "rack", Manual: true}, Abilities: []*tandemv1.Ability{{Operation: "dry"}}}
	s := newShop(t.Fatalf, EarliestCompletion, rack)
	for _, id := range []string{"a", "b", "c"} {
		s.do(floor.CreateJob{Job: &tandemv1.Job{Id: id, Pieces: 1, Steps: []*tandemv1.Step{{Id: "dry", Operation: "dry", Duration: durationpb.New(time.Hour)}}}})
	}
	s.expect(t, "a rack", "b rack", "")
	s.now = s.now.Add(time.Hour)
	d := s.floor.Devices[0]
	s.do(floor.StartRun{Run: d.Live[0].ID})
	s.do(floor.FinishRun{Run: d.Live[0].ID})
	s.expect(t, "c rack")
}

// Steps alike are granted as they came in, also where they differ in something that makes no difference.
func TestTiesGoToTheOldest(t *testing.T) {
	for _, rule := range []Rule{EarliestCompletion, FirstFree} {
		s := newShop(t.Fatalf, rule, printer("printer", time.Minute))
		modes := []string{"", "fine", "", "fast", "fine", ""}
		for i, mode := range modes {
			j := poster(fmt.Sprintf("job-%d", i), 10)
			j.Steps[0].Mode = mode
			j.DueTime = timestamppb.New(s.now.Add(-time.Hour))
			s.do(floor.CreateJob{Job: j})
		}
		for i := range modes {
			s.expect(t, fmt.Sprintf("job-%d printer", i), "")
			s.end("printer")
		}
	}
}

// Where more waits than the fast device can take soon, the slow one takes the step on which it loses least, and says so.
func TestTheSlowDeviceTakesWhatItLosesLeastOn(t *testing.T) {
	s := newShop(t.Fatalf, EarliestCompletion, printer("slow", 3*time.Minute), printer("fast", time.Minute))
	s.do(floor.CreateJob{Job: poster("first", 10)})
	s.expect(t, "first fast")
	s.begin("fast")
	for i := range 2 * lookahead {
		j := poster(fmt.Sprintf("job-%d", i), int32(100+i))
		j.DueTime = timestamppb.New(s.now.Add(-time.Hour))
		s.do(floor.CreateJob{Job: j})
	}
	g, ok := s.dispatch.Next(s.floor, s.now)
	if !ok || g.Device.ID != "slow" {
		t.Fatalf("granted %s, want something to slow", show(g, ok))
	}
	// The k-th step in the queue of the fast device ends there after 10 + 100 + 101 + ... minutes, here after three times
	// its own length: the gain of waiting shrinks along the queue until it is a loss.
	end := 10
	for k := range lookahead {
		end += 100 + k
		if 3*(100+k) <= end {
			if want := fmt.Sprintf("job-%d", k); g.Step.Job.ID != want {
				t.Fatalf("slow takes %s, want %s, the first that would not end earlier on fast", g.Step.Job.ID, want)
			}
			return
		}
	}
	t.Fatal("the case does not reach the point")
}

// Two steps that ask the same of a device but for the loading are told apart: the second side of a print finds its media
// under it.
func TestTheSecondSideNeedsNoChangeover(t *testing.T) {
	rear := printer("rear", time.Minute)
	rear.LoadedMedia = "clear"
	front := printer("front", time.Minute)
	front.LoadedMedia = "white"
	s := newShop(t.Fatalf, EarliestCompletion, front, rear)
	side := func(id, device string, after ...string) *tandemv1.Step {
		return &tandemv1.Step{Id: id, Operation: "print", Media: "white", Devices: []string{device}, After: after}
	}
	due := timestamppb.New(s.now.Add(5 * time.Hour))
	s.do(floor.CreateJob{Job: &tandemv1.Job{Id: "both", Pieces: 10, DueTime: due, Steps: []*tandemv1.Step{side("face", "front"), side("back", "rear", "face")}}})
	s.expect(t, "both front")
	s.begin("front")
	s.end("front")
	s.do(floor.CreateJob{Job: &tandemv1.Job{Id: "small", Pieces: 9, DueTime: due, Steps: []*tandemv1.Step{side("face", "rear")}}})
	s.expect(t, "both rear")
	s.end("rear")
	s.expect(t, "small rear")
}

// A grant says which devices were considered, how it came about, and when each would have ended.
func TestAGrantGivesItsReasons(t *testing.T) {
	s := newShop(t.Fatalf, EarliestCompletion, printer("slow", 2*time.Minute), printer("fast", time.Minute), printer("down", time.Second))
	s.do(floor.PauseDevice{Device: "down"})
	for _, id := range []string{"a", "b"} {
		j := poster(id, 10)
		j.DueTime = timestamppb.New(s.now.Add(time.Hour))
		s.do(floor.CreateJob{Job: j})
	}
	g, ok := s.dispatch.Next(s.floor, s.now)
	if !ok || g.Device.ID != "fast" || g.Expected.Total() != 10*time.Minute {
		t.Fatalf("granted %s for %v", show(g, ok), g.Expected.Total())
	}
	if g.Why.GetWaiting() != 2 || g.Why.GetIndex() <= 0 || !strings.Contains(g.Why.GetRule(), "completes it earliest") {
		t.Errorf("reason: %v", g.Why)
	}
	want := map[string]string{"slow": "20m0s", "fast": "10m0s", "down": "is paused"}
	for _, c := range g.Why.GetCandidates() {
		got := c.GetReason()
		if got == "" {
			got = c.GetFinishTime().AsTime().Sub(s.now).String()
		}
		if got != want[c.GetDevice()] {
			t.Errorf("%s: %s, want %s", c.GetDevice(), got, want[c.GetDevice()])
		}
	}
	if n := len(g.Why.GetCandidates()); n != len(want) {
		t.Errorf("%d candidates, want %d", n, len(want))
	}
}

// Of a thousand devices a few are recorded, the chosen one among them, and how many more there were.
func TestAGrantNamesTheChosenDeviceAmongMany(t *testing.T) {
	var devices []*tandemv1.Device
	for i := range 40 {
		devices = append(devices, printer(fmt.Sprintf("printer-%d", i), time.Duration(100-i)*time.Second))
	}
	s := newShop(t.Fatalf, EarliestCompletion, devices...)
	s.do(floor.CreateJob{Job: poster("a", 10)})
	g, _ := s.dispatch.Next(s.floor, s.now)
	named := false
	for _, c := range g.Why.GetCandidates() {
		named = named || c.GetDevice() == g.Device.ID
	}
	if g.Device.ID != "printer-39" || !named || len(g.Why.GetCandidates()) != mostCandidates || !strings.Contains(g.Why.GetRule(), "36 more devices") {
		t.Errorf("granted to %s with %d candidates, the chosen one named: %v; %s", g.Device.ID, len(g.Why.GetCandidates()), named, g.Why.GetRule())
	}
}
