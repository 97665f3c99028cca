package dispatch

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// onRoll is a job of one piece that takes so many metres of white.
func onRoll(id string, metres int64) *tandemv1.Job {
	return &tandemv1.Job{Id: id, Pieces: 10, Steps: []*tandemv1.Step{{Id: "print", Operation: "print", Media: "white", LengthUm: metres * 1e6}}}
}

func (s *shop) load(device string, metres int64) {
	id := fmt.Sprintf("lot-%d", len(s.floor.Lots())+1)
	s.do(floor.ReceiveLot{Lot: &tandemv1.Lot{Id: id, Media: "white", LengthUm: metres * 1e6}})
	s.do(floor.LoadMedia{Device: device, Lot: id})
}

// A device with enough on it is quicker than one as fast whose roll must be changed first; what its runs have reserved is
// not enough for another.
func TestADeviceWithEnoughOnItGetsTheJob(t *testing.T) {
	s := newShop(t.Fatalf, EarliestCompletion, printer("short", time.Minute), printer("long", time.Minute))
	s.load("short", 5)
	s.load("long", 9)
	s.do(floor.CreateJob{Job: onRoll("six", 6)})
	g, ok := s.dispatch.Next(s.floor, s.now)
	if !ok || g.Device.ID != "long" || g.Expected.Changeover != 0 {
		t.Fatalf("granted %s, want six to long without a changeover", show(g, ok))
	}
	for _, c := range g.Why.GetCandidates() {
		if c.GetDevice() == "short" && (c.GetChangeover().AsDuration() != 10*time.Minute || !strings.Contains(c.GetReason(), "lot-1 has 5 m free, it takes 6 m")) {
			t.Errorf("why not short: %v", c)
		}
	}
	s.do(g)
	s.do(floor.CreateJob{Job: onRoll("four", 4)}) // 3 m are free on long, 5 m on short
	s.expect(t, "four short")
}

// It still gets the job where nothing is quicker: the changeover is counted, and nothing begins before a roll long enough is on.
func TestADeviceWithTooLittleOnItCountsTheChange(t *testing.T) {
	s := newShop(t.Fatalf, EarliestCompletion, printer("only", time.Minute))
	s.load("only", 5)
	s.do(floor.CreateJob{Job: onRoll("six", 6)})
	g, ok := s.dispatch.Next(s.floor, s.now)
	if !ok || g.Expected.Changeover != 10*time.Minute {
		t.Fatalf("granted %s with a changeover of %v, want 10 min", show(g, ok), g.Expected.Changeover)
	}
	s.do(g)
	if r := g.Step.Live; r.CannotStart() == "" || !r.NeedsLoad() {
		t.Fatalf("%s may start on a roll that is too short", r.ID)
	}
}

// Of alike waiting jobs that are as urgent, the one the roll reaches for goes first, however many of the others there are.
func TestWhatTheRollReachesForGoesFirst(t *testing.T) {
	for _, longer := range []int{1, mostPassed - 1, mostPassed, 5 * mostPassed} {
		s := newShop(t.Fatalf, EarliestCompletion, printer("only", time.Minute))
		s.load("only", 5)
		due := timestamppb.New(s.now.Add(-time.Hour))
		for i := range longer {
			j := onRoll(fmt.Sprintf("long-%d", i), 6)
			j.DueTime = due
			s.do(floor.CreateJob{Job: j})
		}
		for i, metres := range []int64{3, 2} {
			j := onRoll(fmt.Sprintf("short-%d", i), metres)
			j.DueTime = due
			s.do(floor.CreateJob{Job: j})
		}
		s.expect(t, "short-0 only")
		s.begin("only")
		s.end("only")
		s.expect(t, "short-1 only")
		s.begin("only")
		s.end("only")
		s.expect(t, "long-0 only")
	}
}
