package main

import (
	"fmt"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"tandem/daemon/bus"
	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// bareDriver is a driver without a host: it takes every order, and says what a scenario has it say, in whatever order.
type bareDriver struct {
	*scene
	device   string
	epoch    uint64
	sequence uint64
	conn     *nats.Conn
	grants   chan *driverv1.Grant // each run once
}

// bare puts a bare driver in the place of a machine's.
func (s *scene) bare(device string) *bareDriver {
	s.Helper()
	s.until("the device is known", func() bool { return s.device(device).GetDriverEpoch() > 0 })
	s.machines[device].stop()
	conn, err := bus.Dial("nats://"+s.bus, filepath.Join(s.cfg.DataDir, "bus", "driver-token"), device)
	if err != nil {
		s.Fatal(err)
	}
	d := &bareDriver{scene: s, device: device, epoch: s.device(device).GetDriverEpoch() + 1, conn: conn, grants: make(chan *driverv1.Grant, 1000)}
	seen := map[string]bool{}
	taken, err := protojson.Marshal(&driverv1.Answer{})
	if err != nil {
		s.Fatal(err)
	}
	if _, err := conn.Subscribe(drivers.OrderSubject(device), func(m *nats.Msg) {
		o := &driverv1.Order{}
		if err := protojson.Unmarshal(m.Data, o); err != nil {
			s.Error(err)
			return
		}
		_ = m.Respond(taken)
		if g := o.GetGrant(); g != nil && !seen[g.GetRun()] {
			seen[g.GetRun()] = true
			d.grants <- g
		}
	}); err != nil {
		s.Fatal(err)
	}
	s.Cleanup(conn.Close)
	s.until("it is on the bus", conn.IsConnected)
	if w := d.hello(d.epoch); w.GetError() != "" {
		s.Fatalf("not welcome: %s", w.GetError())
	}
	return d
}

// granted waits for the next run.
func (d *bareDriver) granted() *driverv1.Grant {
	d.Helper()
	select {
	case g := <-d.grants:
		return g
	case <-time.After(patience):
		d.Fatal("no run is granted")
		return nil
	}
}

// next returns the next sequence number.
func (d *bareDriver) next() uint64 {
	d.sequence++
	return d.sequence
}

func (d *bareDriver) status(epoch, sequence uint64, runs ...*driverv1.RunStatus) *driverv1.Status {
	return &driverv1.Status{
		Epoch: epoch, Sequence: sequence, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Phase: tandemv1.DevicePhase_DEVICE_PHASE_IDLE,
		Link: tandemv1.Link_LINK_ONLINE, Runs: runs,
	}
}

func (d *bareDriver) hello(epoch uint64, runs ...*driverv1.RunStatus) *driverv1.Welcome {
	d.Helper()
	body, err := protojson.Marshal(&driverv1.Hello{Kind: "sim", Operations: []string{"print"}, Status: d.status(epoch, d.next(), runs...)})
	if err != nil {
		d.Fatal(err)
	}
	w := &driverv1.Welcome{}
	answer, err := d.conn.Request(drivers.HelloSubject(d.device), body, patience)
	if err == nil {
		err = protojson.Unmarshal(answer.Data, w)
	}
	if err != nil {
		d.Fatal(err)
	}
	return w
}

func (d *bareDriver) say(st *driverv1.Status) {
	d.Helper()
	body, err := protojson.Marshal(st)
	if err == nil {
		err = d.conn.Publish(drivers.StatusSubject(d.device), body)
	}
	if err != nil {
		d.Fatal(err)
	}
}

// word is a driver's word on a run.
func word(g *driverv1.Grant, state tandemv1.JobState, good int32) *driverv1.RunStatus {
	return &driverv1.RunStatus{Run: g.GetRun(), Fence: g.GetFence(), State: state, PiecesGood: good}
}

// permutations returns every order of the numbers below n.
func permutations(n int) [][]int {
	if n == 0 {
		return [][]int{{}}
	}
	var out [][]int
	for _, p := range permutations(n - 1) {
		for at := range n {
			out = append(out, slices.Insert(slices.Clone(p), at, n-1))
		}
	}
	return out
}

const (
	jobPending    = tandemv1.JobState_JOB_STATE_PENDING
	jobProcessing = tandemv1.JobState_JOB_STATE_PROCESSING
	jobCompleted  = tandemv1.JobState_JOB_STATE_COMPLETED
	jobAborted    = tandemv1.JobState_JOB_STATE_ABORTED
)

func print60(id string) *tandemv1.Job {
	return &tandemv1.Job{Id: id, Pieces: 60, Steps: []*tandemv1.Step{{Id: "print", Operation: "print"}}}
}

// What a driver says of a run arrives in every order there is: as the network may deliver it, with the numbers that it had when it was
// said; and as a driver may say it that does not know what it says. Each time the run ends once, with the same count.
func TestDriverReportsInEveryOrder(t *testing.T) {
	t.Parallel()
	s := newScene(t, shopOf(printer("printer-1", true, "")))
	d := s.bare("printer-1")
	for i, order := range permutations(4) {
		for _, late := range []bool{true, false} {
			id := fmt.Sprintf("job-%d-%v", i, late)
			s.create(print60(id))
			g := d.granted()
			words := []*driverv1.RunStatus{word(g, jobPending, 0), word(g, jobProcessing, 0), word(g, jobProcessing, 30), word(g, jobCompleted, 60)}
			said := d.sequence
			d.sequence += uint64(len(words))
			for at, n := range order {
				sequence := said + 1 + uint64(at)
				if late {
					sequence = said + 1 + uint64(n)
				}
				d.say(d.status(d.epoch, sequence, words[n]))
			}
			// Of words that come faster than they are heard only the newest counts: like any driver this one repeats what is true.
			repeat := time.Now().Add(time.Second)
			p := s.stepUntil(fmt.Sprintf("order %v, late %v", order, late), id, "print", func(p *tandemv1.Step) bool {
				if time.Now().After(repeat) {
					d.say(d.status(d.epoch, d.next(), words[3]))
					repeat = time.Now().Add(time.Second)
				}
				return isCompleted(p)
			})
			if len(p.GetRuns()) != 1 || p.GetPiecesGood() != 60 || p.GetRuns()[0].GetState() != jobCompleted || p.GetRuns()[0].GetPiecesGood() != 60 {
				t.Errorf("order %v, late %v: the step is %v", order, late, p)
			}
			d.say(d.status(d.epoch, d.next()))
		}
	}
	if s.status().GetReportsDropped() == 0 {
		t.Error("no report that was late has been counted as dropped")
	}
}

// A driver repeats itself a thousand times in the middle of a run: nothing of that is on record.
func TestDriverRepeatsAReportAThousandTimes(t *testing.T) {
	t.Parallel()
	s := newScene(t, shopOf(printer("printer-1", true, "")))
	d := s.bare("printer-1")
	s.create(print60("decals"))
	g := d.granted()
	half := word(g, jobProcessing, 30)
	d.say(d.status(d.epoch, d.next(), half))
	s.stepUntil("it works", "decals", "print", func(p *tandemv1.Step) bool { return p.GetState() == jobProcessing })
	before := s.status().GetRevision()
	for range 1000 {
		d.say(d.status(d.epoch, d.next(), half))
	}
	same := d.status(d.epoch, d.next(), half)
	for range 1000 {
		d.say(same)
	}
	d.say(d.status(d.epoch, d.next(), word(g, jobCompleted, 60)))
	s.stepUntil("it is done", "decals", "print", isCompleted)
	if after := s.status().GetRevision(); after > before+2 { // its end, and at most the count once more
		t.Errorf("the ledger has grown from %d to %d", before, after)
	}
}

// A run is given up and a second one is under way when words on the first come in, under a fence that is over, and from a driver that has
// been replaced. They change nothing.
func TestReportsOfAnEarlierRunFenceAndEpoch(t *testing.T) {
	t.Parallel()
	s := newScene(t, shopOf(printer("printer-1", true, "")))
	d := s.bare("printer-1")
	s.create(print60("decals"))
	first := d.granted()
	d.say(d.status(d.epoch, d.next(), word(first, jobProcessing, 5)))
	d.say(d.status(d.epoch, d.next(), word(first, jobAborted, 10)))
	s.stepUntil("the first run is given up", "decals", "print", func(p *tandemv1.Step) bool { return p.GetRuns()[0].GetState() == jobAborted })
	if _, err := s.devices.ResolveRun(t.Context(), &tandemv1.ResolveRunRequest{
		Run: first.GetRun(), Outcome: tandemv1.ResolveRunRequest_OUTCOME_KEEP, PiecesGood: 10, Note: "counted", RequestId: "resolve", Actor: "marit",
	}); err != nil {
		t.Fatal(err)
	}
	second := d.granted()
	if second.GetPieces() != 50 || second.GetFence() <= first.GetFence() {
		t.Fatalf("the second run is %v after %v", second, first)
	}
	// The beginning of the first, and ends of both that nobody may believe.
	outdated := proto.CloneOf(second)
	outdated.Fence = first.GetFence()
	d.say(d.status(d.epoch, d.next(), word(first, jobProcessing, 7), word(second, jobPending, 0)))
	d.say(d.status(d.epoch, d.next(), word(outdated, jobCompleted, 50)))
	dropped := s.status().GetReportsDropped()
	d.say(d.status(d.epoch-1, 1, word(second, jobCompleted, 50)))
	if w := d.hello(d.epoch-1, word(second, jobCompleted, 50)); w.GetError() == "" {
		t.Error("a driver that has been replaced is welcome")
	}
	s.until("the replaced driver's report is counted", func() bool { return s.status().GetReportsDropped() > dropped })
	if p := s.step("decals", "print"); isCompleted(p) || p.GetPiecesGood() != 10 || len(p.GetRuns()) != 2 {
		t.Errorf("after words that do not count the step is %v", p)
	}
	d.say(d.status(d.epoch, d.next(), word(second, jobProcessing, 1)))
	d.say(d.status(d.epoch, d.next(), word(second, jobCompleted, 50)))
	p := s.stepUntil("the second run is done", "decals", "print", isCompleted)
	if p.GetPiecesGood() != 60 || p.GetRuns()[0].GetPiecesGood() != 10 || p.GetRuns()[1].GetPiecesGood() != 50 {
		t.Errorf("in the end %v", p)
	}
	s.reopen()
	if again := s.step("decals", "print"); !proto.Equal(again, p) {
		t.Errorf("after a restart the step is %v, before %v", again, p)
	}
}
