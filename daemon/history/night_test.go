package history_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	"tandem/daemon/engine"
	"tandem/daemon/ledger"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// nightFile has what a night needs: a printer that starts by itself, a rack, and a laminator that a person starts.
func nightFile() *tandemv1.FloorFile {
	file := dayFile()
	file.Devices = []*tandemv1.Device{
		file.GetDevices()[0],
		{Id: "rack", Capacity: 4, Driver: &tandemv1.Driver{Kind: "rack"}, Abilities: []*tandemv1.Ability{{Operation: "dry"}}},
		{Id: "laminator", Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{{Operation: "laminate", PerPiece: durationpb.New(time.Second)}}},
	}
	return file
}

// night is a floor whose drivers repeat what they last said, so that none is lost.
type night struct {
	*played
	said map[string]*driverv1.Status
}

func (n *night) say(device string, st *driverv1.Status) {
	n.t.Helper()
	st.Epoch, st.Link = 1, tandemv1.Link_LINK_ONLINE
	n.said[device] = st
	n.repeat()
}

func (n *night) repeat() {
	n.t.Helper()
	for _, d := range []string{"printer-1", "rack", "laminator"} {
		if err := n.engine.Status(n.t.Context(), d, n.said[d]); err != nil {
			n.t.Fatal(err)
		}
	}
}

func (n *night) pass(d time.Duration) {
	n.t.Helper()
	for end := time.Now().Add(d); time.Now().Before(end); n.repeat() {
		time.Sleep(time.Minute)
	}
}

// inState is the state of a job's step's live run, as its driver tells it.
func (n *night) inState(job, step string, state tandemv1.JobState, good int32) *driverv1.RunStatus {
	n.t.Helper()
	out := &driverv1.RunStatus{State: state, PiecesGood: good}
	if err := n.engine.View(n.t.Context(), func(st engine.State) {
		j, _ := st.Floor.Job(job)
		s, _ := j.Step(step)
		if s.Live != nil {
			out.Run, out.Fence = s.Live.ID, s.Live.Fence
		}
	}); err != nil {
		n.t.Fatal(err)
	}
	if out.GetRun() == "" {
		n.t.Fatalf("%s/%s has no live run", job, step)
	}
	return out
}

func newNight(t *testing.T) *night {
	t.Helper()
	s := &shop{t: t, store: ledger.NewMemory(), dir: t.TempDir()}
	var err error
	s.engine, err = engine.Open(t.Context(), engine.Options{
		Ledger: s.store, Clock: clock.Wall(), File: nightFile(), Period: time.Minute, Send: func(string, *driverv1.Order, func(*driverv1.Answer, error)) {},
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.engine.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	n := &night{played: &played{shop: s}, said: map[string]*driverv1.Status{}}
	for _, d := range nightFile().GetDevices() {
		n.said[d.GetId()] = &driverv1.Status{Epoch: 1, State: idleState, Phase: idlePhase, Link: tandemv1.Link_LINK_ONLINE}
		if _, err := n.engine.Hello(t.Context(), d.GetId(), n.said[d.GetId()]); err != nil {
			t.Fatal(err)
		}
	}
	return n
}

const (
	idleState  = tandemv1.DeviceState_DEVICE_STATE_IDLE
	busyState  = tandemv1.DeviceState_DEVICE_STATE_PROCESSING
	idlePhase  = tandemv1.DevicePhase_DEVICE_PHASE_IDLE
	production = tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION
	processing = tandemv1.JobState_JOB_STATE_PROCESSING
	completed  = tandemv1.JobState_JOB_STATE_COMPLETED
)

func at(state tandemv1.DeviceState, phase tandemv1.DevicePhase, runs ...*driverv1.RunStatus) *driverv1.Status {
	return &driverv1.Status{State: state, Phase: phase, Runs: runs}
}

// The morning report: what ran, what stood still when and why, what waits for whom, and what is dry.
func TestMorningReport(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		berlin, err := time.LoadLocation("Europe/Berlin")
		if err != nil {
			t.Fatal(err)
		}
		evening := time.Date(2000, 1, 3, 18, 0, 0, 0, berlin)
		time.Sleep(time.Until(evening.Add(-time.Hour)))
		n := newNight(t)
		h, stopHistory := n.follow()
		stopAPI := n.serve(h)
		job := func(id string, hold bool) {
			n.command(floor.CreateJob{Job: &tandemv1.Job{Id: id, Pieces: 10, Hold: hold, Steps: []*tandemv1.Step{
				{Id: "print", Operation: "print", WidthUm: 1_000_000, LengthUm: 5_000_000},
				{Id: "dry", Operation: "dry", After: []string{"print"}, Duration: durationpb.New(6 * time.Hour)},
				{Id: "laminate", Operation: "laminate", After: []string{"dry"}},
			}}})
		}
		job("banner", false)
		job("poster", false)
		job("parked", true)
		n.pass(90 * time.Minute) // 18:30: it begins
		n.say("printer-1", at(busyState, production, n.inState("banner", "print", processing, 0)))
		n.pass(time.Hour)
		n.say("printer-1", at(idleState, idlePhase, n.inState("banner", "print", completed, 10)))
		rack := n.inState("banner", "dry", processing, 0)
		n.say("rack", at(busyState, production, rack))
		n.say("printer-1", at(busyState, production, n.inState("poster", "print", processing, 0)))
		n.pass(2 * time.Hour) // 21:30: the roll is empty
		empty := at(tandemv1.DeviceState_DEVICE_STATE_STOPPED, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED, n.inState("poster", "print", tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, 4))
		empty.StateReasons = []string{"media-empty-error"}
		n.say("printer-1", empty)
		n.pass(6 * time.Hour) // 03:30: dry at 01:30
		done := n.inState("banner", "dry", completed, 10)
		n.say("rack", at(idleState, idlePhase, done))
		n.pass(2*time.Hour + 30*time.Minute) // 06:00

		m, err := n.reports.GetNightReport(t.Context(), &tandemv1.GetNightReportRequest{})
		if err != nil {
			t.Fatal(err)
		}
		clock := func(x interface{ AsTime() time.Time }) string { return x.AsTime().In(berlin).Format("15:04") }
		if p := m.GetSource().GetPeriod(); clock(p.GetFromTime()) != "18:00" || clock(p.GetToTime()) != "06:00" {
			t.Errorf("the night is %v", p)
		}
		var still, waits, dry []string
		for _, s := range m.GetStandstills() {
			still = append(still, fmt.Sprint(s.GetDevice(), " ", clock(s.GetPeriod().GetFromTime()), " ", s.GetClass(), " ", s.GetReason(), " ", s.GetJob(), "/", s.GetStep(), " ", s.GetOpen()))
		}
		for _, w := range m.GetWaiting() {
			waits = append(waits, strings.Join([]string{w.GetJob(), w.GetStep(), w.GetDevice(), w.GetWhat()}, "|"))
		}
		for _, d := range m.GetDrying() {
			dry = append(dry, fmt.Sprint(d.GetJob(), " ", d.GetPlace(), " ", d.GetDry(), " ", d.GetNext()))
		}
		if want := []string{"printer-1 21:30 delay media-empty-error poster/print true"}; !slices.Equal(still, want) {
			t.Errorf("standstills %q, want %q", still, want)
		}
		if want := []string{
			"||printer-1|stands still: media-empty-error",
			"banner|laminate|laminator|laminate is with laminator and waits for a person to start it there",
			"parked|||waits to be released",
		}; !slices.Equal(waits, want) {
			t.Errorf("what waits: %q, want %q", waits, want)
		}
		if want := []string{"banner rack true [laminate]"}; !slices.Equal(dry, want) {
			t.Errorf("dry: %q, want %q", dry, want)
		}
		for _, d := range m.GetDevices() {
			if d.GetDevice() != "printer-1" {
				continue
			}
			if d.GetRunsCompleted() != 1 || d.GetPiecesGood() != 10 || d.GetSquareMetres() != 5 || clock(d.GetLastWorkTime()) != "21:30" {
				t.Errorf("the printer: %v", d)
			}
			for _, c := range d.GetClasses() {
				if long := c.GetPlanned().AsDuration() + c.GetOutside().AsDuration(); c.GetClass() == "production" && long.Round(time.Minute) != 3*time.Hour {
					t.Errorf("the printer worked for %v", long)
				}
			}
		}
		stopAPI()
		stopHistory()
	})
}
