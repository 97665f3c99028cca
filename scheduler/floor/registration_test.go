package floor

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"pgregory.net/rapid"

	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

func reading(panel string, um ...int64) *driverv1.MarkReading {
	m := &driverv1.MarkReading{PanelCode: panel}
	for i := 0; i+1 < len(um); i += 2 {
		m.Marks = append(m.Marks, &driverv1.Mark{XUm: um[i], YUm: um[i+1]})
	}
	return m
}

// asLaidOut is a reading without any fault of a panel of 500 mm x 300 mm.
func asLaidOut(panel string) *driverv1.MarkReading {
	return reading(panel, 0, 0, 500_000, 0, 500_000, 300_000, 0, 300_000)
}

// cutting is a floor on which a cutter cuts panels of 500 mm x 300 mm with ten pieces each.
func cutting(t *testing.T, panels int, ability *tandemv1.Ability) (*story, *Run) {
	t.Helper()
	s := &story{t: t, floor: New(), now: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)}
	s.do(BeginTerm{})
	s.do(Configure{File: &tandemv1.FloorFile{Devices: []*tandemv1.Device{{Id: "cutter", Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{ability}}}}})
	s.do(Greet{Device: "cutter", Status: report(1)})
	job := &tandemv1.Job{Id: "decals", Steps: []*tandemv1.Step{{Id: "cut", Operation: ability.GetOperation()}}}
	for i := range panels {
		job.Panels = append(job.Panels, &tandemv1.Panel{Id: fmt.Sprintf("p%d", i+1), Pieces: 10, WidthUm: 500_000, LengthUm: 300_000})
	}
	s.do(CreateJob{Job: job})
	return s, s.run("cut", "cutter")
}

func reads(marks int32) *tandemv1.Ability {
	return &tandemv1.Ability{Operation: "cut", PerPiece: durationpb.New(time.Minute), MarkTime: durationpb.New(5 * time.Second), MarksPerPanel: marks}
}

// read is what the cutter says while it cuts.
func (s *story) read(r *Run, readings ...*driverv1.MarkReading) []*ledgerv1.Event {
	s.t.Helper()
	rs := runIs(r, stRuns, 0)
	rs.MarkReadings = readings
	return s.do(Report{Device: r.Device.ID, Status: report(1, rs)})
}

func fits(events []*ledgerv1.Event) []*tandemv1.Registration {
	var out []*tandemv1.Registration
	for _, e := range events {
		if g := e.GetPanelRegistered().GetRegistration(); g != nil {
			out = append(out, g)
		}
	}
	return out
}

// The figures were worked out apart from this code, to the digits shown: formulas of common practice, no source.
func TestTheWorkedPanelIsAccepted(t *testing.T) {
	s, r := cutting(t, 1, reads(0))
	events := s.read(r, reading(r.Step.Panels[0].Code, 10_000, 20_000, 510_400, 22_600, 508_900, 322_300, 8_400, 319_900))
	if len(events) != 1 || len(fits(events)) != 1 {
		t.Fatalf("caused %v, want one fit and nothing else", events)
	}
	g := fits(events)[0]
	for _, v := range []struct {
		name              string
		got, want, within float64
	}{
		{"residual um", float64(g.GetResidualUm()), 55.9, 0.5},
		{"scale x", g.GetScaleX(), 1.000912, 5e-7},
		{"scale y", g.GetScaleY(), 0.999347, 5e-7},
		{"rotation", g.GetRotationDegrees(), 0.2862, 5e-5},
		{"skew", g.GetSkewDegrees(), -0.0100, 5e-5},
	} {
		if math.Abs(v.got-v.want) > v.within {
			t.Errorf("%s is %v, want %v", v.name, v.got, v.want)
		}
	}
	if !g.GetAccepted() || g.GetReason() != "" || !proto.Equal(r.View().GetRegistrations()[0], g) {
		t.Errorf("written as %v, kept as %v", g, r.View().GetRegistrations())
	}
	if _, reasons := r.Step.State(s.now); slices.Contains(reasons, ReasonRegistrationFailed) || r.Stopping {
		t.Errorf("an accepted panel changes the run: %v", reasons)
	}
}

// A cutter that reads again and again fills no ledger; a reading that does not fit is heard all the same, once.
func TestReadingsAgainAndAgain(t *testing.T) {
	s, r := cutting(t, 2, reads(0))
	code := r.Step.Panels[0].Code
	n := 0
	for i := range int64(50) {
		m := asLaidOut(code)
		m.Marks[0].XUm += 10 * i
		n += len(s.read(r, m))
		if again := s.read(r, m); len(again) != 0 {
			t.Fatalf("the same reading twice causes %v", again)
		}
	}
	if n != mostAccepted {
		t.Errorf("50 readings of one panel cause %d events, want %d", n, mostAccepted)
	}
	wrong := asLaidOut(code)
	wrong.Marks[1].XUm, wrong.Marks[2].XUm = 480_000, 480_000
	events := s.read(r, wrong, asLaidOut(r.Step.Panels[1].Code))
	if len(events) != 3 || fits(events)[0].GetAccepted() || !fits(events)[1].GetAccepted() || !events[2].GetRunStopping().GetWithdraw() {
		t.Fatalf("a wrong panel causes %v, want two fits, and that the run is stopped and taken back", events)
	}
	for i := range int64(50) { // nothing lets it go on, not even the right panel
		wrong.Marks[0].YUm = -i
		if more := s.read(r, asLaidOut(code), wrong); len(more) != 0 {
			t.Fatalf("after a refusal a reading causes %v", more)
		}
	}
	s.state("cut", stRuns, ReasonRegistrationFailed)
}

func TestHostileReadings(t *testing.T) {
	s, r := cutting(t, 1, reads(0))
	code := r.Step.Panels[0].Code
	for name, m := range map[string]*driverv1.MarkReading{
		"nothing": {}, "no marks": {PanelCode: "P9999"}, "a terminal's words": asLaidOut("\x1b[31mP0015"), "another panel": asLaidOut("P0023"),
		"lower case": asLaidOut(strings.ToLower(code)), "a long code": asLaidOut(strings.Repeat("P", 60_000)),
	} {
		if events := s.read(r, m); len(events) != 0 {
			t.Errorf("%s causes %v", name, events)
		}
	}
	var many []*driverv1.MarkReading
	for i := range int64(10_000) {
		m := asLaidOut(code)
		m.Marks[2].XUm += i % 100
		many = append(many, m)
	}
	if events := s.read(r, many...); len(events) > mostAccepted {
		t.Errorf("10,000 readings cause %d events", len(events))
	}
	marks := func(n int) *driverv1.MarkReading {
		return reading(code, make([]int64, 2*n)...)
	}
	for name, m := range map[string]*driverv1.MarkReading{
		"of no mark": marks(0), "of three": marks(3), "of 10,000": marks(10_000), "all in one place": marks(4),
		"out of the world":     reading(code, math.MinInt64, math.MaxInt64, math.MaxInt64, math.MinInt64, 1, 2, 3, 4),
		"on a line":            reading(code, 0, 0, 100_000, 0, 200_000, 0, 300_000, 0),
		"just in the world":    reading(code, -1e9, -1e9, 1e9, -1e9, 1e9, 1e9, -1e9, 1e9),
		"almost in one corner": reading(code, 0, 0, 1_000, 0, 1_000, 1_000, 0, 1_000),
	} {
		s, r := cutting(t, 1, reads(0))
		events := s.read(r, m)
		if len(events) != 2 || events[1].GetRunStopping() == nil {
			t.Errorf("a reading %s causes %v, want it refused and the run stopped", name, events)
			continue
		}
		g := fits(events)[0]
		if g.GetAccepted() || !strings.HasPrefix(g.GetReason(), "cannot be ") || len(g.GetReason()) > 1000 || strings.ContainsFunc(g.GetReason(), func(r rune) bool { return r < ' ' }) {
			t.Errorf("a reading %s is %v, want it refused in words", name, g)
		}
		for _, v := range []float64{g.GetScaleX(), g.GetScaleY(), g.GetRotationDegrees(), g.GetSkewDegrees()} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("a reading %s gives %v", name, g)
			}
		}
	}
}

// A cutter is told of marks where it reads some, and where the panel has a size on which marks can be found.
func TestBoxes(t *testing.T) {
	grant := func(s *story) *driverv1.Grant {
		return s.floor.Orders(s.floor.byDevice["cutter"], report(1), s.now)[0].GetGrant()
	}
	for marks, want := range map[int32]int{0: 2, 1: 0, 2: 2, 4: 2, 12: 2} {
		s, _ := cutting(t, 2, reads(marks))
		if got := grant(s).GetPanels(); len(got) != want {
			t.Errorf("a cutter that reads %d marks is told of %v", marks, got)
		}
	}
	s, r := cutting(t, 2, &tandemv1.Ability{Operation: "cut"})
	if got := grant(s).GetPanels(); len(got) != 0 || len(s.read(r, asLaidOut(r.Step.Panels[0].Code))) != 0 {
		t.Errorf("a cutter that reads no marks is told of %v", got)
	}
	weed := reads(4)
	weed.Operation = "weed"
	s, r = cutting(t, 2, weed)
	if got := grant(s).GetPanels(); len(got) != 0 || len(s.read(r, asLaidOut(r.Step.Panels[0].Code))) != 0 {
		t.Errorf("weeding is told of the marks %v", got)
	}
	s, _ = cutting(t, 500, reads(4))
	if got := grant(s).GetPanels(); len(got) != mostBoxes {
		t.Errorf("of 500 panels the cutter is told of %d", len(got))
	}
	for _, size := range [][2]int64{{0, 300_000}, {500_000, 0}, {500, 300_000}, {10_000, 20_000_000}, {500_000, 2_000_000_000}} {
		p := &Panel{Spec: &tandemv1.Panel{WidthUm: size[0], LengthUm: size[1]}}
		if got := p.box(4); got != nil {
			t.Errorf("on a panel of %v um marks would be at %v", size, got)
		}
	}
}

// Two and three marks are the first of the box: what they cannot show they do not refuse.
func TestFewerMarks(t *testing.T) {
	for marks, read := range map[int32][]int64{2: {0, 0, 500_000, 1_000}, 3: {0, 0, 500_000, 1_000, 499_400, 301_000}} {
		s, r := cutting(t, 1, reads(marks))
		if g := fits(s.read(r, reading(r.Step.Panels[0].Code, read...))); len(g) != 1 || !g[0].GetAccepted() || g[0].GetResidualUm() != 0 {
			t.Errorf("%d marks give %v", marks, g)
		}
		s, r = cutting(t, 1, reads(marks))
		if g := fits(s.read(r, asLaidOut(r.Step.Panels[0].Code))); len(g) != 1 || g[0].GetAccepted() {
			t.Errorf("four marks where %d were asked for give %v", marks, g)
		}
	}
}

// However a run with a wrong panel ends, nobody goes on before a person has spoken; the counts stay.
func TestAWrongPanelWaitsForAPerson(t *testing.T) {
	wrong := func(r *Run) *driverv1.MarkReading {
		m := asLaidOut(r.Step.Panels[0].Code)
		m.Marks[2].YUm, m.Marks[3].YUm = 330_000, 330_000
		return m
	}
	for _, tt := range []struct {
		name    string
		end     func(s *story, r *Run)
		good    int32
		outcome ledgerv1.RunResolved_Outcome
		left    int32
	}{
		{"stopped", func(s *story, r *Run) { s.do(Report{Device: "cutter", Status: report(1, runIs(r, stCanceled, 3))}) }, 3, ledgerv1.RunResolved_OUTCOME_KEEP, 8},
		{"done before it heard", func(s *story, r *Run) { s.finish(r) }, 10, ledgerv1.RunResolved_OUTCOME_AGAIN, 10},
		{"aborted", func(s *story, r *Run) {
			s.do(Report{Device: "cutter", Status: report(1, runIs(r, tandemv1.JobState_JOB_STATE_ABORTED, 4, "media-jam-error"))})
		}, 4, ledgerv1.RunResolved_OUTCOME_KEEP, 8},
		{"lost and found", func(s *story, r *Run) {
			s.do(LoseDevice{Device: "cutter"})
			s.do(Greet{Device: "cutter", Status: report(1, runIs(r, stCanceled, 3))})
		}, 3, ledgerv1.RunResolved_OUTCOME_AGAIN, 10},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s, r := cutting(t, 1, reads(0))
			s.read(r, wrong(r))
			tt.end(s, r)
			s.state("cut", stStopped, ReasonRegistrationFailed)
			if s.step("cut").Good != tt.good || !slices.Contains(r.View().GetStateReasons(), ReasonRegistrationFailed) {
				t.Errorf("%d pieces are good, the run is %v", s.step("cut").Good, r.View())
			}
			s.refused("dispatch", "STEP_NOT_READY", Grant{Step: s.step("cut"), Device: s.floor.byDevice["cutter"]})
			text := s.step("cut").Explain(s.now, nil).GetSummary()
			for _, part := range []string{"cannot be the right panel", "1.1000", "right way round", "scan its code", "resolve " + r.ID} {
				if !strings.Contains(text, part) {
					t.Errorf("%q says nothing of %q", text, part)
				}
			}
			s.do(ResolveRun{Run: r.ID, Outcome: tt.outcome, Good: 2})
			if left := s.step("cut").Left(); left != tt.left {
				t.Fatalf("%d pieces are left, want %d", left, tt.left)
			}
			second := s.run("cut", "cutter")
			if g := fits(s.read(second, asLaidOut(second.Step.Panels[0].Code))); len(g) != 1 || !g[0].GetAccepted() {
				t.Fatalf("the right panel then gives %v", g)
			}
			s.finish(second)
			s.state("cut", stCompleted, "")
		})
	}
}

// A cancel goes before: the job ends, and nobody is asked about a panel of it.
func TestAWrongPanelOfACanceledJob(t *testing.T) {
	s, r := cutting(t, 1, reads(0))
	s.do(CancelJob{Job: "decals"})
	events := s.read(r, reading(r.Step.Panels[0].Code, 1, 2))
	if len(events) != 1 || fits(events) == nil {
		t.Fatalf("caused %v, want no second stop", events)
	}
	s.do(Report{Device: "cutter", Status: report(1, runIs(r, stCanceled, 3))})
	s.state("cut", stCanceled, "")
}

// A refusal by the driver after all, with nothing moved, gives the step to nobody either.
func TestAWrongPanelThenRefused(t *testing.T) {
	s, r := cutting(t, 1, reads(0))
	s.do(Report{Device: "cutter", Status: report(1, runIs(r, stCompleted, 10))})
	s.do(CreateJob{Job: &tandemv1.Job{Id: "more", Panels: []*tandemv1.Panel{{Id: "a", Pieces: 3, WidthUm: 9e4, LengthUm: 9e4}}, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}}})
	step := s.floor.Jobs[1].Steps[0]
	s.do(Grant{Step: step, Device: s.floor.byDevice["cutter"]})
	rs := runIs(step.Live, stPending, 0, ReasonAwaitingStart)
	rs.MarkReadings = []*driverv1.MarkReading{asLaidOut(step.Panels[0].Code)}
	run := step.Live.ID
	s.do(Report{Device: "cutter", Status: report(1, rs)})
	s.do(RefuseRun{Run: run, Reason: "no"})
	if step.Grantable() || step.Blocked != ReasonRegistrationFailed {
		t.Errorf("blocked by %q", step.Blocked)
	}
}

// Days at a cutter alone, which reads panels rightly and wrongly: nobody goes on with a wrong one before a person has spoken,
// and the records alone give the same floor.
func TestAnyDayAtTheCutter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := newRandomShop()
		s.do(t, BeginTerm{})
		s.do(t, Configure{File: &tandemv1.FloorFile{Devices: []*tandemv1.Device{{
			Id: "cutter", Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{reads(0)},
		}}}})
		s.epochs["cutter"] = 1
		s.do(t, Greet{Device: "cutter", Status: report(1)})
		for i := range 2 {
			s.do(t, CreateJob{Job: &tandemv1.Job{Id: fmt.Sprintf("job-%d", i), Panels: []*tandemv1.Panel{
				{Id: "a", Pieces: 2, WidthUm: 500_000, LengthUm: 300_000}, {Id: "b", Pieces: 2, WidthUm: 500_000, LengthUm: 300_000},
			}, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}}})
		}
		cutter := s.floor.byDevice["cutter"]
		for range 120 {
			step := rapid.SampledFrom(s.floor.Jobs).Draw(t, "job").Steps[0]
			run := "run-0"
			if n := len(step.Runs); n > 0 {
				run = step.Runs[n-1].ID
			}
			switch rapid.IntRange(0, 15).Draw(t, "act") {
			case 0:
				s.do(t, RefuseRun{Run: run, Reason: "no"})
			case 1:
				s.do(t, Greet{Device: "cutter", Status: s.status(t, cutter)})
			case 2:
				outcome := ledgerv1.RunResolved_Outcome(rapid.IntRange(2, 3).Draw(t, "outcome"))
				s.do(t, ResolveRun{Run: run, Outcome: outcome, Good: rapid.Int32Range(0, 3).Draw(t, "good")})
			case 3, 4, 5:
				s.do(t, StartRun{Run: run})
			case 6, 7, 8, 9:
				s.do(t, Grant{Step: step, Device: cutter})
			default:
				s.do(t, Report{Device: "cutter", Status: s.status(t, cutter)})
			}
			s.pieces(t)
		}
		s.replays(t)
	})
}

// anyReadings draws what a cutter may say of a step's panels.
func anyReadings(t *rapid.T, s *Step) []*driverv1.MarkReading {
	return falseReadings(s, rapid.IntRange(0, 20).Draw(t, "readings"), rapid.IntRange(0, 200).Draw(t, "off"))
}

// falseReadings are readings of a step's panels: none mostly, true ones, ones that are off, and ones that are none.
func falseReadings(s *Step, kind, off int) []*driverv1.MarkReading {
	if kind%3 == 0 {
		return nil
	}
	var out []*driverv1.MarkReading
	for i, p := range s.Panels {
		m := asLaidOut(p.Code)
		switch (kind + i) % 7 {
		case 1:
			m.Marks[off%4].XUm += int64(off)
		case 2:
			m.Marks[off%4].YUm += int64(off) * 1000
		case 3:
			m.Marks = m.GetMarks()[:off%4]
		case 4:
			m.PanelCode = "P00XX"
		}
		out = append(out, m, m)
	}
	return out
}

// registered: a fit is of a live run and of a panel of it, and there are few of each.
func (s *shadow) registered(p *ledgerv1.PanelRegistered) {
	g := p.GetRegistration()
	key := p.GetRun() + " " + g.GetPanelCode()
	s.fits[key]++
	step := s.stepOf[p.GetRun()]
	switch {
	case s.on[p.GetRun()] == "":
		s.t.Fatalf("run %s is not live and has read marks: %v", p.GetRun(), p)
	case s.fits[key] > mostAccepted+1:
		s.t.Fatalf("%d fits of %s", s.fits[key], key)
	case p.GetJob()+"/"+p.GetStep() != step || p.GetDevice() != s.on[p.GetRun()]:
		s.t.Fatalf("the fit of %s on %s is written as %v", step, s.on[p.GetRun()], p)
	case g.GetAccepted() == (g.GetReason() != ""):
		s.t.Fatalf("a fit without a reason, or with one too many: %v", g)
	}
	if !g.GetAccepted() {
		s.misread[step] = p.GetRun()
	}
}
