package sim

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

var morning = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// hour is a run of 60 pieces: five minutes of set-up, and a minute for each piece.
func hour(run string, mayStart bool) *driverv1.Grant {
	return &driverv1.Grant{
		Run: run, Fence: 1, Operation: "cut", Pieces: 60, MayStart: mayStart,
		ExpectedSetup: durationpb.New(5 * time.Minute), ExpectedWork: durationpb.New(time.Hour),
	}
}

func newMachine(s setup, faults ...string) *machine {
	if s.pace == 0 {
		s.pace = 1
	}
	for _, text := range faults {
		f, err := ParseFault(text)
		if err != nil {
			panic(err)
		}
		s.faults = append(s.faults, f)
	}
	return &machine{setup: s}
}

// at is the machine's status some time after the morning.
func (m *machine) at(d time.Duration) *driverv1.Status {
	m.advance(morning.Add(d))
	return m.status()
}

// give grants a run some time after the morning.
func (m *machine) give(g *driverv1.Grant, d time.Duration) {
	m.at(d)
	m.grant(g)
	m.begin(morning.Add(d))
}

func TestTimeline(t *testing.T) {
	const (
		idle       = tandemv1.DeviceState_DEVICE_STATE_IDLE
		processing = tandemv1.DeviceState_DEVICE_STATE_PROCESSING
		stopped    = tandemv1.DeviceState_DEVICE_STATE_STOPPED
	)
	type moment struct {
		at     time.Duration
		device tandemv1.DeviceState
		phase  string
		run    string
		good   int32
		bad    int32
	}
	const min = time.Minute
	tests := []struct {
		name    string
		setup   setup
		faults  []string
		moments []moment
	}{
		{"as expected", setup{cleanup: 30 * time.Second}, nil, []moment{
			{0, processing, "SETUP", "PROCESSING", 0, 0},
			{5*min - 1, processing, "SETUP", "PROCESSING", 0, 0},
			{5 * min, processing, "PRODUCTION", "PROCESSING", 0, 0},
			{31*min - 1, processing, "PRODUCTION", "PROCESSING", 25, 0},
			{31 * min, processing, "PRODUCTION", "PROCESSING", 26, 0},
			{65*min - 1, processing, "PRODUCTION", "PROCESSING", 59, 0},
			{65 * min, processing, "CLEANUP", "COMPLETED", 60, 0},
			{65*min + 30*time.Second, idle, "IDLE", "COMPLETED", 60, 0},
		}},
		{"twice as slow", setup{pace: 2}, nil, []moment{
			{10*min - 1, processing, "SETUP", "PROCESSING", 0, 0},
			{62 * min, processing, "PRODUCTION", "PROCESSING", 26, 0},
			{130 * min, idle, "IDLE", "COMPLETED", 60, 0},
		}},
		{"jam, and help after five minutes", setup{helpAfter: 5 * min}, []string{"stop@26"}, []moment{
			{31 * min, stopped, "STOPPED", "PROCESSING_STOPPED", 26, 0},
			{36*min - 1, stopped, "STOPPED", "PROCESSING_STOPPED", 26, 0},
			{36 * min, processing, "PRODUCTION", "PROCESSING", 26, 0},
			{37 * min, processing, "PRODUCTION", "PROCESSING", 27, 0},
			{70 * min, idle, "IDLE", "COMPLETED", 60, 0},
		}},
		{"roll at its end, nobody comes", setup{}, []string{"media-empty@26"}, []moment{
			{31 * min, stopped, "STOPPED", "PROCESSING_STOPPED", 26, 0},
			{1000 * time.Hour, stopped, "STOPPED", "PROCESSING_STOPPED", 26, 0},
		}},
		{"roll at its end, the run given up", setup{helpAfter: 4 * time.Minute}, []string{"media-abort@26"}, []moment{
			{31*min - 1, processing, "PRODUCTION", "PROCESSING", 25, 0},
			{31 * min, stopped, "STOPPED", "ABORTED", 26, 0},
			{35 * min, idle, "IDLE", "ABORTED", 26, 0},
		}},
		{"two troubles with their own times", setup{helpAfter: time.Hour}, []string{"stop@1:1m", "media-empty@2:2m"}, []moment{
			{6 * min, stopped, "STOPPED", "PROCESSING_STOPPED", 1, 0},
			{7 * min, processing, "PRODUCTION", "PROCESSING", 1, 0},
			{8 * min, stopped, "STOPPED", "PROCESSING_STOPPED", 2, 0},
			{10 * min, processing, "PRODUCTION", "PROCESSING", 2, 0},
			{68 * min, idle, "IDLE", "COMPLETED", 60, 0},
		}},
		{"spoiled pieces", setup{}, []string{"spoil@7:3", "spoil@60:5"}, []moment{
			{11 * min, processing, "PRODUCTION", "PROCESSING", 6, 0},
			{12 * min, processing, "PRODUCTION", "PROCESSING", 6, 1},
			{14 * min, processing, "PRODUCTION", "PROCESSING", 6, 3},
			{15 * min, processing, "PRODUCTION", "PROCESSING", 7, 3},
			{65 * min, idle, "IDLE", "COMPLETED", 56, 4},
		}},
		{"forgets", setup{cleanup: time.Hour}, []string{"reboot@10"}, []moment{
			{15*min - 1, processing, "PRODUCTION", "PROCESSING", 9, 0},
			{15 * min, idle, "IDLE", "", 0, 0},
		}},
		{"fault of another run", setup{}, []string{"stop@2/26"}, []moment{{65 * min, idle, "IDLE", "COMPLETED", 60, 0}}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			m := newMachine(test.setup, test.faults...)
			m.give(hour("r1", true), 0)
			for _, want := range test.moments {
				s := m.at(want.at)
				got := moment{at: want.at, device: s.GetState(), phase: s.GetPhase().String()[len("DEVICE_PHASE_"):]}
				if len(s.GetRuns()) > 0 {
					r := s.GetRuns()[0]
					got.run, got.good, got.bad = r.GetState().String()[len("JOB_STATE_"):], r.GetPiecesGood(), r.GetPiecesSpoiled()
				}
				if got != want {
					t.Errorf("is %+v, want %+v", got, want)
				}
			}
		})
	}
}

// TestAskingDoesNotMatter compares machines that are looked at at different times: what happens is the same.
func TestAskingDoesNotMatter(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for i := range 200 {
		s := setup{pace: 0.5 + random.Float64(), noise: 0.8, seed: uint64(i), cleanup: time.Minute, helpAfter: 7 * time.Minute}
		faults := []string{"stop@5", "spoil@7:3", "offline@9:20m", "media-empty@30:3m", "flood@31"}
		if i%5 == 0 {
			faults = append(faults, "media-abort@2/50:9m")
		}
		if i%3 == 0 {
			faults = append(faults, "reboot@40")
		}
		often, late := newMachine(s, faults...), newMachine(s, faults...)
		often.give(hour("r1", true), 0)
		late.give(hour("r1", true), 0)
		often.grant(hour("r2", i%2 == 0)) // waits, and may begin when the machine is free
		late.grant(hour("r2", i%2 == 0))
		end := time.Duration(random.Int64N(int64(3 * time.Hour)))
		for at := time.Duration(0); at < end; at += time.Duration(random.Int64N(int64(time.Minute))) {
			often.at(at)
		}
		a, b := often.at(end), late.at(end)
		if !proto.Equal(a, b) || !reflect.DeepEqual(often.memory, late.memory) {
			t.Fatalf("seed %d, after %s: asked often it is %v, asked once %v", i, end, a, b)
		}
	}
}

func TestNoiseIsSeededAndBounded(t *testing.T) {
	end := func(seed uint64, run string) time.Duration {
		m := newMachine(setup{noise: 0.2, seed: seed})
		m.give(hour(run, true), 0)
		m.at(24 * time.Hour)
		return m.Ended[0].End.Sub(morning)
	}
	if a, b := end(1, "r1"), end(1, "r1"); a != b {
		t.Errorf("the same seed gives %s and %s", a, b)
	}
	seen := map[time.Duration]bool{}
	for seed := range uint64(50) {
		took := end(seed, "r1")
		seen[took] = true
		if took < 52*time.Minute || took > 78*time.Minute {
			t.Errorf("seed %d: the run has taken %s, want 65 min give or take a fifth", seed, took)
		}
	}
	if len(seen) < 40 || end(1, "r1") == end(1, "r2") {
		t.Error("chance depends too little on the seed and the run")
	}
}

func TestStopFinishesThePiece(t *testing.T) {
	for _, test := range []struct {
		name    string
		at, end time.Duration
		good    int32
	}{
		{"in set-up", 2 * time.Minute, 2 * time.Minute, 0},
		{"in a piece", 31*time.Minute + time.Second, 32 * time.Minute, 27},
		{"in the last piece", 64*time.Minute + time.Second, 65 * time.Minute, 60},
	} {
		m := newMachine(setup{})
		m.give(hour("r1", true), 0)
		m.at(test.at)
		m.stop("r1", morning.Add(test.at))
		m.stop("r1", morning.Add(test.at))
		if s := m.at(test.end - 1); test.end > test.at && s.GetRuns()[0].GetState() != tandemv1.JobState_JOB_STATE_PROCESSING {
			t.Errorf("%s: before the piece is finished the run is %v", test.name, s.GetRuns()[0])
		}
		want := tandemv1.JobState_JOB_STATE_CANCELED
		if test.good == 60 {
			want = tandemv1.JobState_JOB_STATE_COMPLETED
		}
		r := m.at(test.end).GetRuns()[0]
		if r.GetState() != want || r.GetPiecesGood() != test.good || !r.GetEndTime().AsTime().Equal(morning.Add(test.end)) {
			t.Errorf("%s: the run ends as %v, want %v with %d pieces at %s", test.name, r, want, test.good, test.end)
		}
	}
}

func TestStopWhileItStandsStill(t *testing.T) {
	m := newMachine(setup{}, "stop@26")
	m.give(hour("r1", true), 0)
	m.at(40 * time.Minute)
	m.stop("r1", morning.Add(40*time.Minute))
	s := m.at(40 * time.Minute)
	if r := s.GetRuns()[0]; r.GetState() != tandemv1.JobState_JOB_STATE_CANCELED || r.GetPiecesGood() != 26 {
		t.Errorf("the run is %v, want canceled with 26 pieces", r)
	}
	if s.GetState() != tandemv1.DeviceState_DEVICE_STATE_STOPPED {
		t.Errorf("the machine is %v: a stop of the run has cleared the jam", s.GetState())
	}
}

func TestNothingBeginsAfterTroubleWithoutANewStart(t *testing.T) {
	m := newMachine(setup{cleanup: 10 * time.Minute}, "stop@60") // the jam comes with the last piece
	m.give(hour("r1", true), 0)
	m.give(hour("r2", true), 65*time.Minute) // a start given while the machine stands still
	m.at(70 * time.Minute)
	m.help(morning.Add(70 * time.Minute))
	m.begin(morning.Add(70 * time.Minute))
	r := m.at(24 * time.Hour).GetRuns()[1]
	if r.GetState() != tandemv1.JobState_JOB_STATE_PENDING || r.GetStateReasons()[0] != "x-awaiting-start" {
		t.Errorf("after help the waiting run is %v", r)
	}
	m.give(hour("r2", true), 24*time.Hour)
	if r := m.at(24 * time.Hour).GetRuns()[1]; r.GetState() != tandemv1.JobState_JOB_STATE_PROCESSING {
		t.Errorf("after a new start it is %v", r)
	}

	// A start that was given before the jam is no longer one after it.
	m = newMachine(setup{cleanup: 10 * time.Minute})
	m.give(hour("r1", true), 0)
	m.give(hour("r2", true), 66*time.Minute)
	m.at(67 * time.Minute)
	m.strike(Fault{Trouble: Stop}, morning.Add(67*time.Minute))
	m.at(68 * time.Minute)
	m.help(morning.Add(68 * time.Minute))
	if r := m.at(24 * time.Hour).GetRuns()[1]; r.GetState() != tandemv1.JobState_JOB_STATE_PENDING {
		t.Errorf("a start given before the jam begins the run after it: %v", r)
	}
}

func TestStartThatWaitsForTheMachineGetsStale(t *testing.T) {
	m := newMachine(setup{cleanup: 10 * time.Minute})
	m.give(hour("r1", true), 0)
	g := hour("r2", true)
	g.StartBefore = timestamppb.New(morning.Add(70 * time.Minute))
	m.give(g, 66*time.Minute)
	if r := m.at(67 * time.Minute).GetRuns()[1]; r.GetStateReasons()[0] != "queued-in-device" {
		t.Errorf("while the machine is cleared the next run is %v", r)
	}
	if r := m.at(76 * time.Minute).GetRuns()[1]; r.GetState() != tandemv1.JobState_JOB_STATE_PENDING || r.GetStateReasons()[0] != "x-awaiting-start" {
		t.Errorf("a start that is too late by the time the machine is free leaves the run as %v", r)
	}
}

func TestGrantOfARunThatHasEnded(t *testing.T) {
	m := newMachine(setup{})
	m.give(hour("r1", true), 0)
	m.give(hour("r1", true), 66*time.Minute)
	s := m.at(24 * time.Hour)
	if len(s.GetRuns()) != 1 || !s.GetRuns()[0].GetEndTime().AsTime().Equal(morning.Add(65*time.Minute)) {
		t.Errorf("the machine has done it again: %v", s)
	}
}

func TestSettledWhileUnderWay(t *testing.T) {
	// A person has decided that the run is over. The machine, which nobody has stopped, goes on, and tells so.
	m := newMachine(setup{})
	m.give(hour("r1", true), 0)
	m.at(30 * time.Minute)
	m.settle("r1")
	m.give(hour("r2", true), 30*time.Minute)
	s := m.at(31 * time.Minute)
	if s.GetState() != tandemv1.DeviceState_DEVICE_STATE_PROCESSING || len(s.GetRuns()) != 1 || s.GetRuns()[0].GetState() != tandemv1.JobState_JOB_STATE_PENDING {
		t.Errorf("the machine is %v, want at work and r2 waiting", s)
	}
	s = m.at(66 * time.Minute)
	if len(s.GetRuns()) != 1 || s.GetRuns()[0].GetState() != tandemv1.JobState_JOB_STATE_PROCESSING {
		t.Errorf("when it is free it is %v, want r2 under way", s)
	}
}

func TestVeryManyPieces(t *testing.T) {
	m := newMachine(setup{}, "stop@1000000000:1m")
	g := hour("r1", true)
	g.Pieces = 1<<31 - 1
	m.give(g, 0)
	if r := m.at(35 * time.Minute).GetRuns()[0]; r.GetPiecesGood() < 1<<29 || r.GetPiecesGood() > 1<<30+1<<29 {
		t.Errorf("halfway there are %d pieces", r.GetPiecesGood())
	}
	if r := m.at(66 * time.Minute).GetRuns()[0]; r.GetPiecesGood() != 1<<31-1 || r.GetState() != tandemv1.JobState_JOB_STATE_COMPLETED {
		t.Errorf("in the end the run is %v", r)
	}
}

func TestGrantsWithoutExpectations(t *testing.T) {
	m := newMachine(setup{setUp: time.Minute, pieceTime: 2 * time.Second})
	m.give(&driverv1.Grant{Run: "r1", Fence: 1, Pieces: 30, MayStart: true}, 0)
	m.at(24 * time.Hour)
	if got := m.Ended[0].End.Sub(morning); got != 2*time.Minute {
		t.Errorf("30 pieces of 2 s after a minute have taken %s", got)
	}
	m = newMachine(setup{})
	m.give(&driverv1.Grant{Run: "r1", Fence: 1, MayStart: true, ExpectedWork: durationpb.New(time.Minute)}, 0)
	if r := m.at(time.Minute).GetRuns()[0]; r.GetState() != tandemv1.JobState_JOB_STATE_COMPLETED || r.GetFraction() != 1 {
		t.Errorf("a run without pieces is %v after its time", r)
	}
}

func TestEndedRunsAreBounded(t *testing.T) {
	m := newMachine(setup{})
	for i := range 100 {
		m.give(hour(fmt.Sprintf("r%d", i), true), time.Duration(i)*2*time.Hour)
		m.at(time.Duration(i+1)*2*time.Hour - 1)
	}
	if len(m.Ended) != mostEnded || m.Ended[mostEnded-1].Run != "r99" || m.Begun != 100 {
		t.Errorf("after %d runs %d are remembered", m.Begun, len(m.Ended))
	}
}
