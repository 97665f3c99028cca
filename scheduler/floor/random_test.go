package floor

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// randomShop is a floor on which anything may happen: commands in any order, drivers that tell the truth, repeat
// themselves, come late, or lie.
type randomShop struct {
	floor    *Floor
	now      time.Time
	revision uint64
	records  []*ledgerv1.Record
	jobs     int
	epochs   map[string]uint64
	waived   map[string]bool // job/step whose drying a person has overridden
}

var randomFile = &tandemv1.FloorFile{
	Devices: []*tandemv1.Device{
		{Id: "printer-1", Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"}, LoadedMedia: "white", Abilities: []*tandemv1.Ability{{
			Operation: "print", PerPiece: durationpb.New(time.Minute),
			UnattendedStart: &tandemv1.UnattendedStart{AllowedBy: "mira", AllowTime: timestamppb.New(time.Unix(1e9, 0))},
		}}},
		{Id: "printer-2", Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{
			{Operation: "print", PerPiece: durationpb.New(time.Minute)},
			{Operation: "cut", PerPiece: durationpb.New(time.Minute), ContinuesLoaded: true},
		}},
		{Id: "rack", Capacity: 2, Driver: &tandemv1.Driver{Kind: "rack", Manual: true}, Abilities: []*tandemv1.Ability{{
			Operation: "dry", UnattendedStart: &tandemv1.UnattendedStart{AllowedBy: "mira", AllowTime: timestamppb.New(time.Unix(1e9, 0))},
		}}},
		{Id: "laminator", Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{{Operation: "laminate", PerPiece: durationpb.New(time.Minute)}}},
		{Id: "cutter", Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{{Operation: "cut", PerPiece: durationpb.New(time.Minute), MarkTime: durationpb.New(time.Second)}}},
		{Id: "bench", Capacity: 1, Driver: &tandemv1.Driver{Kind: "operator", Manual: true}, Abilities: []*tandemv1.Ability{{Operation: "pack"}}},
	},
	People: []*tandemv1.Person{{Id: "mira", Supervisor: true}, {Id: "timo"}},
}

func newRandomShop() *randomShop {
	s := &randomShop{floor: New(), now: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC), epochs: map[string]uint64{}, waived: map[string]bool{}}
	return s
}

// do decides and applies a command, and holds both to their contracts.
func (s *randomShop) do(t *rapid.T, c Command) {
	before := s.floor.Snapshot()
	d, err := s.floor.Decide(s.now, Meta{Actor: "mira"}, c)
	if !proto.Equal(before, s.floor.Snapshot()) {
		t.Fatalf("Decide(%T) changed the floor", c)
	}
	if err != nil || len(d.Events) == 0 {
		return
	}
	s.revision++
	rec := &ledgerv1.Record{Revision: s.revision, Term: s.floor.Term, CommitTime: timestamppb.New(s.now), Events: d.Events}
	s.guard(t, rec)
	s.floor.ApplyRecord(proto.CloneOf(rec))
	s.records = append(s.records, rec)
	if err := s.floor.Check(); err != nil {
		t.Fatalf("after %T: %v\n%v", c, err, rec)
	}
}

// guard checks what a record may not do, before it is applied.
func (s *randomShop) guard(t *rapid.T, rec *ledgerv1.Record) {
	for _, e := range rec.GetEvents() {
		if g := e.GetRunGranted().GetRun(); g != nil {
			d, step := s.floor.byDevice[g.GetDevice()], s.floor.byJob[g.GetJob()].byStep[g.GetStep()]
			switch {
			case d.Link != tandemv1.Link_LINK_ONLINE || d.Paused || d.LockedBy != "":
				t.Fatalf("granted to %s, which is not there to take it", d.ID)
			case len(d.Live) >= d.Capacity:
				t.Fatalf("granted to %s beyond its capacity", d.ID)
			case step.Live != nil || !step.Open():
				t.Fatalf("step %s was granted while live or ended", step.ID())
			case len(step.Runs) > 0 && step.Runs[len(step.Runs)-1].misregistered() != nil && !slices.Contains(step.Runs[len(step.Runs)-1].Reasons, ReasonResolved):
				t.Fatalf("%s was granted again before a person has looked at its panel", step.ID())
			case g.GetFence() <= s.floor.LastFence():
				t.Fatalf("fence %d after %d", g.GetFence(), s.floor.LastFence())
			}
			for _, b := range step.Before {
				if b.Drying() && s.now.Before(b.Free.Add(b.Spec.GetDuration().AsDuration())) && !s.waived[b.Job.ID+"/"+b.ID()] && !b.resolvedEnd() {
					t.Fatalf("%s granted before %s is dry", step.ID(), b.ID())
				}
			}
		}
		if c := e.GetRunChanged(); c != nil {
			r, known := s.floor.runs[c.GetRun()]
			if known && ended(r.State) {
				t.Fatalf("run %s changed after its end", r.ID)
			}
		}
		if w := e.GetWaitOverridden(); w != nil {
			s.waived[w.GetJob()+"/"+w.GetStep()] = true
		}
	}
}

func (s *randomShop) anyDevice(t *rapid.T) *Device {
	return rapid.SampledFrom(s.floor.Devices).Draw(t, "device")
}

func (s *randomShop) anyLot(t *rapid.T) *Lot {
	if len(s.floor.Lots()) == 0 {
		t.Skip("no lot yet")
	}
	return rapid.SampledFrom(s.floor.Lots()).Draw(t, "lot")
}

func (s *randomShop) anyStep(t *rapid.T) *Step {
	var all []*Step
	for _, j := range s.floor.Jobs {
		all = append(all, j.Steps...)
	}
	if len(all) == 0 {
		t.Skip("no job yet")
	}
	return rapid.SampledFrom(all).Draw(t, "step")
}

func (s *randomShop) anyRun(t *rapid.T) *Run {
	step := s.anyStep(t)
	if len(step.Runs) == 0 {
		t.Skip("no run yet")
	}
	return rapid.SampledFrom(step.Runs).Draw(t, "run")
}

func anyJob(id string, t *rapid.T) *tandemv1.Job {
	j := &tandemv1.Job{
		Id: id, Pieces: rapid.Int32Range(1, 6).Draw(t, "pieces"),
		Hold: rapid.IntRange(0, 9).Draw(t, "hold") == 0,
		Steps: []*tandemv1.Step{
			{Id: "print", Operation: "print", Media: rapid.SampledFrom([]string{"", "white", "clear"}).Draw(t, "media"), LengthUm: rapid.Int64Range(0, 4000).Draw(t, "length")},
			{Id: "dry", Operation: "dry", After: []string{"print"}, Duration: durationpb.New(time.Hour)},
			{Id: "laminate", Operation: "laminate", After: []string{"dry"}},
			{Id: "cut", Operation: "cut", After: []string{"laminate"}, MinWait: durationpb.New(10 * time.Minute)},
			{Id: "pack", Operation: "pack", After: []string{"cut"}},
		},
	}
	if rapid.Bool().Draw(t, "marks") {
		j.Panels = []*tandemv1.Panel{{Id: "a", Pieces: j.GetPieces(), WidthUm: 500_000, LengthUm: 300_000}, {Id: "b", Pieces: 1, WidthUm: 500_000, LengthUm: 300_000}}
		j.Pieces = 0
		if rapid.Bool().Draw(t, "cut only") {
			j.Steps = []*tandemv1.Step{{Id: "cut", Operation: "cut"}}
			return j
		}
	}
	if rapid.Bool().Draw(t, "print and cut only") {
		j.Steps = []*tandemv1.Step{j.GetSteps()[0], {Id: "cut", Operation: "cut", After: []string{"print"}}}
	}
	return j
}

// status is what a driver says: mostly the truth, sometimes not.
func (s *randomShop) status(t *rapid.T, d *Device) *driverv1.Status {
	st := &driverv1.Status{
		Epoch: s.epochs[d.ID], State: rapid.SampledFrom([]tandemv1.DeviceState{3, 3, 4, 5}).Draw(t, "state"),
		Link: rapid.SampledFrom([]tandemv1.Link{2, 2, 2, 3}).Draw(t, "link"),
	}
	for _, r := range d.Live {
		if rapid.IntRange(0, 9).Draw(t, "forgotten") == 0 {
			continue
		}
		st.Runs = append(st.Runs, anyRunStatus(t, r))
	}
	if rapid.IntRange(0, 4).Draw(t, "lie") == 0 && len(s.floor.runs) > 0 {
		st.Runs = append(st.Runs, anyRunStatus(t, s.anyRun(t)))
	}
	return st
}

func anyRunStatus(t *rapid.T, r *Run) *driverv1.RunStatus {
	return &driverv1.RunStatus{
		Run: r.ID, Fence: r.Fence + uint64(rapid.SampledFrom([]int{0, 0, 0, 0, 1}).Draw(t, "wrong fence")),
		State:         rapid.SampledFrom([]tandemv1.JobState{3, 5, 5, 6, 7, 8, 9, 9, 9}).Draw(t, "run state"),
		StateReasons:  rapid.SampledFrom([][]string{nil, {"media-jam-error"}, {"media-empty"}, {ReasonAwaitingStart}, {"NOT a keyword"}}).Draw(t, "reasons"),
		PiecesGood:    rapid.SampledFrom([]int32{0, 1, r.Pieces, r.Pieces, r.Pieces, r.Pieces + 7, -3}).Draw(t, "good"),
		PiecesSpoiled: rapid.SampledFrom([]int32{0, 0, 0, 1, r.Pieces + 1}).Draw(t, "spoiled"),
		MarkReadings:  anyReadings(t, r.Step),
	}
}

func TestRandomDays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := newRandomShop()
		s.do(t, BeginTerm{})
		s.do(t, Configure{File: randomFile})
		for _, d := range s.floor.Devices {
			s.epochs[d.ID] = 1
			s.do(t, Greet{Device: d.ID, Status: &driverv1.Status{Epoch: 1, State: 3, Link: 2}})
		}
		note := "because"
		t.Repeat(map[string]func(*rapid.T){
			"time": func(t *rapid.T) {
				s.now = s.now.Add(time.Duration(rapid.IntRange(1, 40).Draw(t, "minutes")) * time.Minute)
			},
			"create": func(t *rapid.T) {
				s.jobs++
				s.do(t, CreateJob{Job: anyJob(fmt.Sprintf("job-%d", s.jobs), t)})
			},
			"grant": func(t *rapid.T) {
				step, d := s.anyStep(t), s.anyDevice(t)
				if fits, _ := d.Fits(step.Spec); fits {
					s.do(t, Grant{Step: step, Device: d, Expected: d.Estimate(step, s.now)})
				}
			},
			"grant what fits": func(t *rapid.T) {
				step := s.anyStep(t)
				for _, d := range step.Class.Fits {
					s.do(t, Grant{Step: step, Device: d, Expected: d.Estimate(step, s.now)})
				}
			},
			"start": func(t *rapid.T) { s.do(t, StartRun{Run: s.anyRun(t).ID}) },
			"finish": func(t *rapid.T) {
				s.do(t, FinishRun{Run: s.anyRun(t).ID, Spoiled: rapid.Int32Range(0, 2).Draw(t, "spoiled")})
			},
			"refuse": func(t *rapid.T) { s.do(t, RefuseRun{Run: s.anyRun(t).ID, Reason: "no"}) },
			"here": func(t *rapid.T) {
				step, d := s.anyStep(t), s.anyDevice(t)
				if fits, _ := d.Fits(step.Spec); fits {
					s.do(t, StartHere{Step: step, Device: d})
				}
			},
			"report": func(t *rapid.T) { d := s.anyDevice(t); s.do(t, Report{Device: d.ID, Status: s.status(t, d)}) },
			"twice": func(t *rapid.T) {
				d := s.anyDevice(t)
				st := s.status(t, d)
				s.do(t, Report{Device: d.ID, Status: st})
				n := len(s.records)
				s.do(t, Report{Device: d.ID, Status: st})
				// The first may have ended runs that the second then calls strays; a third must say nothing new.
				s.do(t, Report{Device: d.ID, Status: st})
				if m := len(s.records); m > n+1 {
					t.Fatalf("a repeated status goes on causing events: %v", s.records[m-1])
				}
			},
			"hello": func(t *rapid.T) {
				d := s.anyDevice(t)
				s.epochs[d.ID] += uint64(rapid.IntRange(0, 1).Draw(t, "anew"))
				s.do(t, Greet{Device: d.ID, Status: s.status(t, d)})
			},
			"lose":    func(t *rapid.T) { s.do(t, LoseDevice{Device: s.anyDevice(t).ID}) },
			"restart": func(t *rapid.T) { s.do(t, BeginTerm{}) },
			"hold":    func(t *rapid.T) { s.do(t, HoldJob{Job: s.anyStep(t).Job.ID, Note: note}) },
			"release": func(t *rapid.T) { s.do(t, ReleaseJob{Job: s.anyStep(t).Job.ID}) },
			"cancel":  func(t *rapid.T) { s.do(t, CancelJob{Job: s.anyStep(t).Job.ID}) },
			"pause":   func(t *rapid.T) { s.do(t, PauseDevice{Device: s.anyDevice(t).ID}) },
			"resume":  func(t *rapid.T) { s.do(t, ResumeDevice{Device: s.anyDevice(t).ID}) },
			"lock":    func(t *rapid.T) { s.do(t, LockDevice{Device: s.anyDevice(t).ID}) },
			"unlock":  func(t *rapid.T) { s.do(t, UnlockDevice{Device: s.anyDevice(t).ID}) },
			"load":    func(t *rapid.T) { s.do(t, LoadMedia{Device: s.anyDevice(t).ID, Media: "white"}) },
			"receive": func(t *rapid.T) {
				s.do(t, ReceiveLot{Lot: &tandemv1.Lot{Media: rapid.SampledFrom([]string{"white", "clear"}).Draw(t, "media"), LengthUm: rapid.Int64Range(0, 9000).Draw(t, "length")}})
			},
			"load a lot": func(t *rapid.T) {
				s.do(t, LoadMedia{Device: s.anyDevice(t).ID, Lot: s.anyLot(t).ID, Media: rapid.SampledFrom([]string{"", "", "white"}).Draw(t, "media")})
			},
			"measure": func(t *rapid.T) {
				s.do(t, MeasureLot{Lot: s.anyLot(t).ID, Remaining: rapid.Int64Range(-1, 9000).Draw(t, "left")})
			},
			"start anyway": func(t *rapid.T) { s.do(t, StartRun{Run: s.anyRun(t).ID, Override: note}) },
			"blade":        func(t *rapid.T) { s.do(t, ReplaceBlade{Device: s.anyDevice(t).ID}) },
			"override":     func(t *rapid.T) { st := s.anyStep(t); s.do(t, OverrideWait{Job: st.Job.ID, Step: st.ID(), Note: note}) },
			"spoil": func(t *rapid.T) {
				st := s.anyStep(t)
				s.do(t, SpoilPieces{Job: st.Job.ID, Panel: st.Panels[0].ID, Step: st.ID(), Pieces: 1})
			},
			"remake": func(t *rapid.T) {
				st := s.anyStep(t)
				s.do(t, RemakePieces{Job: st.Job.ID, Step: st.ID(), Panel: st.Panels[0].ID, Pieces: 1, AlreadySpoiled: rapid.Bool().Draw(t, "already")})
			},
			"resolve": func(t *rapid.T) {
				r := s.anyRun(t)
				s.do(t, ResolveRun{
					Run: r.ID, Outcome: ledgerv1.RunResolved_Outcome(rapid.IntRange(0, 4).Draw(t, "outcome")),
					Good: rapid.Int32Range(-1, 3).Draw(t, "good"),
				})
			},
			"": func(t *rapid.T) { s.pieces(t) },
		})
		s.replays(t)
	})
}

// pieces: nothing is lost and nothing is made of nothing.
func (s *randomShop) pieces(t *rapid.T) {
	for _, j := range s.floor.Jobs {
		for _, p := range j.Panels {
			if p.Good+p.Spoiled != p.Pieces {
				t.Fatalf("panel %s of %s: %d good and %d spoiled of %d", p.ID, j.ID, p.Good, p.Spoiled, p.Pieces)
			}
		}
		for _, st := range j.Steps {
			if live := slices.DeleteFunc(slices.Clone(st.Runs), func(r *Run) bool { return ended(r.State) }); len(live) > 1 {
				t.Fatalf("step %s of %s has %d live runs", st.ID(), j.ID, len(live))
			}
		}
	}
}

// replays: the records alone give the same floor, and so does a snapshot in the middle with the records after it.
func (s *randomShop) replays(t *rapid.T) {
	want := s.floor.Snapshot()
	replayed := New()
	cut := len(s.records) / 2
	var middle *ledgerv1.Snapshot
	for i, rec := range s.records {
		if i == cut {
			middle = replayed.Snapshot()
		}
		replayed.ApplyRecord(rec)
	}
	if !proto.Equal(want, replayed.Snapshot()) {
		t.Fatal("replaying the records gives another floor")
	}
	data, err := proto.MarshalOptions{Deterministic: true}.Marshal(middle)
	if err != nil {
		t.Fatal(err)
	}
	read := &ledgerv1.Snapshot{}
	if err := proto.Unmarshal(data, read); err != nil {
		t.Fatal(err)
	}
	restored, err := Restore(read)
	if err != nil {
		t.Fatal(err)
	}
	for _, rec := range s.records[cut:] {
		restored.ApplyRecord(rec)
	}
	if got := restored.Snapshot(); !proto.Equal(want, got) {
		t.Fatalf("a snapshot with the records after it gives another floor:\n%v\n%v", got, want)
	}
}
