package floor

import (
	"crypto/sha256"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// act is one thing that happens on a floor. Which device, step or run it is about follows from its numbers and from what is
// there at that moment, so that a row of acts can be played again on another floor.
type act struct {
	Kind       string
	A, B, C, D int
}

// anyActs draws a row of acts, the productive ones more often.
func anyActs(most int) *rapid.Generator[[]act] {
	kinds := []string{
		"time", "submit", "submit", "grant", "grant", "grant", "grant", "start", "start", "orders", "orders", "orders",
		"work", "work", "work", "report", "report", "report", "finish", "finish", "here", "lie", "reboot", "lose", "restart",
		"hold", "release", "cancel", "pause", "resume", "lock", "unlock", "load", "override", "receive", "receive", "load lot", "load lot", "measure", "blade", "spoil", "spoil and withdraw", "withdraw", "remake", "resolve",
		"move", "refit", "gang", "gang", "people", "back", "archive",
	}
	return actsOf(kinds, most)
}

func actsOf(kinds []string, most int) *rapid.Generator[[]act] {
	n := rapid.IntRange(0, 1000)
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) act {
		return act{rapid.SampledFrom(kinds).Draw(t, "kind"), n.Draw(t, "a"), n.Draw(t, "b"), n.Draw(t, "c"), n.Draw(t, "d")}
	}), most/4, most)
}

// world is a floor, its drivers and its ledger.
type world struct {
	floor   *Floor
	now     time.Time
	file    *tandemv1.FloorFile
	drivers map[string]*fakeDriver
	jobs    int
	records []*ledgerv1.Record                   // copies of given
	given   []*ledgerv1.Record                   // to the floor
	watch   func(Command, Meta, Decision, error) // called before a decision is applied; may be nil
}

func newWorld(file *tandemv1.FloorFile) *world {
	w := &world{floor: New(), now: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC), file: file, drivers: map[string]*fakeDriver{}}
	for _, d := range file.GetDevices() {
		w.drivers[d.GetId()] = &fakeDriver{manual: d.GetDriver().GetManual(), epoch: 1}
	}
	return w
}

func (w *world) open() {
	w.do(Meta{}, BeginTerm{})
	w.do(Meta{}, Configure{File: w.file})
	for _, d := range w.file.GetDevices() {
		w.do(Meta{}, Greet{Device: d.GetId(), Status: w.drivers[d.GetId()].status()})
	}
}

// on returns the same world on another floor.
func (w *world) on(f *Floor) *world {
	c := &world{floor: f, now: w.now, file: w.file, drivers: map[string]*fakeDriver{}, jobs: w.jobs}
	for id, d := range w.drivers {
		c.drivers[id] = d.clone()
	}
	return c
}

// do decides, applies and notes a command.
func (w *world) do(m Meta, c Command) {
	d, err := w.floor.Decide(w.now, m, c)
	if w.watch != nil {
		w.watch(c, m, d, err)
	}
	if err != nil || len(d.Events) == 0 {
		return
	}
	rec := &ledgerv1.Record{
		Revision: w.floor.Revision + 1, Term: w.floor.Term, CommitTime: timestamppb.New(w.now), Events: d.Events,
	}
	w.records, w.given = append(w.records, proto.CloneOf(rec)), append(w.given, rec)
	w.floor.ApplyRecord(rec)
}

// lot returns a lot, or nil if none has been received.
func (w *world) lot(n int) *Lot {
	all := w.floor.Lots()
	if len(all) == 0 {
		return nil
	}
	return all[n%len(all)]
}

func (w *world) device(n int) *Device { return w.floor.Devices[n%len(w.floor.Devices)] }

// step returns a step for which ok holds, or nil.
func (w *world) step(n int, ok func(*Step) bool) *Step {
	var all []*Step
	for _, j := range w.floor.Jobs {
		for _, s := range j.Steps {
			if ok(s) {
				all = append(all, s)
			}
		}
	}
	if len(all) == 0 {
		return nil
	}
	return all[n%len(all)]
}

// run returns a live run mostly, any other now and then, or nil.
func (w *world) run(n int) *Run {
	if s := w.step(n, func(s *Step) bool { return s.Live != nil }); s != nil && n%5 != 0 {
		return s.Live
	}
	if s := w.step(n/5, func(s *Step) bool { return len(s.Runs) > 0 }); s != nil {
		return s.Runs[n%len(s.Runs)]
	}
	return nil
}

// play lets an act happen.
func (w *world) play(a act) {
	every := func(*Step) bool { return true }
	m := Meta{Actor: []string{"mira", "timo"}[a.D%2]}
	if a.D%7 == 0 { // a client that retries, or that uses an id twice
		sum := sha256.Sum256(fmt.Append(nil, a.Kind, a.A%3))
		m.RequestID, m.Fingerprint = fmt.Sprintf("r-%d", a.A%5), sum[:]
	}
	d := w.device(a.A)
	driver := w.drivers[d.ID]
	switch a.Kind {
	case "time":
		w.now = w.now.Add(time.Duration(a.A%90) * time.Minute)
	case "submit":
		w.jobs++
		w.do(m, CreateJob{Job: sampleJob(fmt.Sprintf("job-%d", w.jobs), a, w.now)})
	case "orders":
		w.deliver(d, driver, a.C)
	case "work":
		driver.work(w.now, a.C)
	case "report":
		w.hear(d, driver.status())
	case "lie":
		w.lie(a, d, driver)
	case "reboot":
		driver.reboot(a.C%2 == 0)
		w.do(Meta{}, Greet{Device: d.ID, Status: driver.status()})
	case "archive":
		w.do(Meta{Actor: "daemon"}, ArchiveJobs{EndedBefore: w.now.Add(-time.Duration(a.B%3*30) * time.Minute), Most: 1 + a.C%3})
	case "lose":
		w.do(Meta{}, LoseDevice{Device: d.ID})
	case "receive":
		w.do(m, ReceiveLot{Lot: &tandemv1.Lot{Media: []string{"white", "clear"}[a.B%2], LengthUm: int64(1 + a.C*9)}})
	case "load lot":
		if l := w.lot(a.B); l != nil {
			w.do(m, LoadMedia{Device: d.ID, Lot: l.ID})
		}
	case "measure":
		if l := w.lot(a.B); l != nil {
			w.do(m, MeasureLot{Lot: l.Code, Remaining: int64(a.C%5) * int64(a.A)})
		}
	case "blade":
		w.do(m, ReplaceBlade{Device: d.ID, Blade: []string{"", "b-30"}[a.B%2]})
	case "restart":
		w.do(Meta{}, BeginTerm{})
	case "refit":
		w.refit(a)
	case "gang":
		w.gang(a, m)
	case "help":
		w.helpOn()
	case "in gang: cancel", "in gang: spoil", "in gang: remake", "in gang: resolve", "in gang: abandon":
		w.playGang(a, m, strings.TrimPrefix(a.Kind, "in gang: "))
	case "pause":
		w.do(m, PauseDevice{Device: d.ID})
	case "people":
		until := w.now.Add(time.Duration(a.B%600) * time.Minute)
		if a.C%4 == 0 {
			until = time.Time{}
		}
		w.do(m, SetAttendance{Operators: a.A % 4, Until: until, Note: "as agreed"})
	case "back":
		back := w.now.Add(time.Duration(a.B%300-20) * time.Minute)
		w.do(m, []Command{PauseDevice{Device: d.ID, Back: back}, LockDevice{Device: d.ID, Back: back}}[a.C%2])
	case "resume":
		w.do(m, ResumeDevice{Device: d.ID})
	case "lock":
		w.do(m, LockDevice{Device: d.ID})
	case "unlock":
		w.do(m, UnlockDevice{Device: d.ID})
	case "load":
		w.do(m, LoadMedia{Device: d.ID, Media: []string{"white", "clear"}[a.B%2]})
	default:
		if s := w.step(a.A, every); s != nil {
			w.playStep(a, m, s)
		}
	}
}

// playStep is for acts about a job, a step or a run.
func (w *world) playStep(a act, m Meta, s *Step) {
	switch a.Kind {
	case "grant", "here":
		if ready := w.step(a.A, (*Step).Grantable); ready != nil && a.B%8 != 0 {
			s = ready
		}
		d := w.device(a.C)
		if fits := s.Class.Fits; len(fits) > 0 {
			d = fits[a.C%len(fits)]
		}
		if a.Kind == "here" {
			w.do(m, StartHere{Step: s, Device: d})
		} else {
			w.do(Meta{Actor: "dispatch"}, Grant{Step: s, Device: d, Expected: d.Estimate(s, w.now)})
		}
	case "hold":
		w.do(m, HoldJob{Job: s.Job.ID})
	case "release":
		w.do(m, ReleaseJob{Job: s.Job.ID})
	case "cancel":
		if a.B%4 == 0 {
			w.do(m, CancelJob{Job: s.Job.ID})
		}
	case "override":
		w.do(m, OverrideWait{Job: s.Job.ID, Step: s.ID(), Note: "touch dry"})
	case "spoil":
		w.do(m, SpoilPieces{Job: s.Job.ID, Panel: s.Panels[a.B%len(s.Panels)].ID, Step: []string{"", s.ID()}[a.C%2], Pieces: int32(a.B % 3)})
	case "withdraw", "spoil and withdraw":
		w.playWithdraw(a, m, s)
	case "remake":
		w.do(m, RemakePieces{Job: s.Job.ID, Step: s.ID(), Panel: s.Panels[a.B%len(s.Panels)].ID, Pieces: int32(a.B % 3), AlreadySpoiled: a.C%2 == 0})
	case "move":
		w.do(m, MovePanel{Job: s.Job.ID, Panel: s.Panels[0].ID, Place: []string{"shelf", "printer-1", "rack"}[a.B%3], Slot: []string{"", "a1", "a2", "a3"}[a.C%4]})
	default:
		if r := w.run(a.A); r != nil {
			w.playRun(a, m, r)
		}
	}
}

func (w *world) playRun(a act, m Meta, r *Run) {
	switch a.Kind {
	case "start":
		w.do(m, StartRun{Run: r.ID, Override: []string{"", "", "as agreed"}[a.C%3]})
	case "finish":
		w.do(m, FinishRun{Run: r.ID, Spoiled: int32(a.B % 2)})
	case "resolve":
		w.do(m, ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_Outcome(a.B % 4), Good: int32(a.C % 4)})
		if a.D%10 == 0 {
			w.do(m, ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_ABANDON})
		}
	}
}

// refit takes a printer out of the floor file, or puts it back.
func (w *world) refit(a act) {
	file := proto.CloneOf(w.file)
	if a.A%2 == 0 {
		file.Devices = file.GetDevices()[1:]
	}
	w.do(Meta{Actor: "mira"}, Configure{File: file})
}

func sampleJob(id string, a act, now time.Time) *tandemv1.Job {
	j := &tandemv1.Job{Id: id, Pieces: int32(1 + a.A%8), Hold: a.B%10 == 0, Steps: []*tandemv1.Step{
		{Id: "print", Operation: "print", Media: []string{"", "white", "clear"}[a.B%3], LengthUm: int64(a.C%4) * 1111},
		{Id: "dry", Operation: "dry", After: []string{"print"}, Duration: durationpb.New(time.Hour)},
		{Id: "laminate", Operation: "laminate", After: []string{"dry"}, Film: []string{"", "", "clear"}[a.D%3], LengthUm: 2000},
		{Id: "cut", Operation: "cut", After: []string{"laminate"}, PathLengthUm: int64(a.A%3) * 777, Blade: []string{"", "b-30", "b-60"}[a.C%3], MinWait: durationpb.New(10 * time.Minute)},
		{Id: "pack", Operation: "pack", After: []string{"cut"}, Duration: durationpb.New(time.Minute)},
	}}
	if a.C%3 == 0 {
		size := int64(a.B%3) * 200_000
		j.Pieces, j.Panels = 0, []*tandemv1.Panel{{Id: "a", Pieces: 2, WidthUm: size, LengthUm: 300_000}, {Id: "b", Pieces: int32(1 + a.A%4), WidthUm: 400_000, LengthUm: size}}
	}
	switch a.D % 4 {
	case 0: // print and cut
		j.Steps = []*tandemv1.Step{j.GetSteps()[0], {Id: "cut", Operation: "cut", After: []string{"print"}}}
	case 2: // printed elsewhere
		if len(j.GetPanels()) > 0 {
			j.Steps = []*tandemv1.Step{{Id: "cut", Operation: "cut"}, {Id: "pack", Operation: "pack", After: []string{"cut"}}}
		}
	case 1: // two cuts side by side, joined by hand
		j.Steps = []*tandemv1.Step{
			j.GetSteps()[0],
			{Id: "face", Operation: "cut", After: []string{"print"}},
			{Id: "back", Operation: "cut", After: []string{"print"}},
			{Id: "pack", Operation: "pack", After: []string{"face", "back"}},
		}
	}
	if a.B%6 > 0 { // made from items
		asItems(j)
	}
	if a.B%7 == 0 {
		j.ReleaseTime = timestamppb.New(now.Add(time.Hour))
	}
	return j
}
