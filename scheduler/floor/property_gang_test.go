package floor

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// asItems says what lies on a job's panels: item x, and on panels of several pieces item y too.
func asItems(j *tandemv1.Job) {
	if len(j.GetPanels()) == 0 {
		j.Panels, j.Pieces = []*tandemv1.Panel{{Id: "p1", Pieces: j.GetPieces()}}, 0
	}
	for _, p := range j.GetPanels() {
		x := (p.GetPieces() + 1) / 2
		p.Contents = []*tandemv1.Content{{Item: "x", Pieces: x}}
		if y := p.GetPieces() - x; y > 0 {
			p.Contents = append(p.Contents, &tandemv1.Content{Item: "y", Pieces: y})
		}
	}
}

// gang puts two or three jobs that are alike on shared panels, if there are any: one panel or two, the pieces dealt in turns.
func (w *world) gang(a act, m Meta) {
	var alike []*Job
	for i := range w.floor.Jobs {
		j := w.floor.Jobs[(i+a.A)%len(w.floor.Jobs)]
		if ok, _ := j.CanGang(); ok && (len(alike) == 0 || sameSteps(alike[0], j)) {
			alike = append(alike, j)
		}
	}
	if len(alike) < 2 {
		return
	}
	alike = alike[:min(len(alike), 2+a.B%2)]
	w.jobs++
	run := &tandemv1.Job{Id: fmt.Sprintf("gang-%d", w.jobs), Hold: a.C%9 == 0}
	var turns [][]*tandemv1.Content
	for _, j := range alike {
		var own []*tandemv1.Content
		for _, p := range j.Panels {
			for _, c := range p.Spec.GetContents() {
				own = append(own, &tandemv1.Content{Job: j.ID, Item: c.GetItem(), Pieces: c.GetPieces()})
			}
		}
		turns = append(turns, own)
	}
	dealt := deal(turns, a.D%2 == 0)
	cut := len(dealt)
	if a.C%3 == 0 {
		cut = max(len(dealt)/2, 1)
	}
	for i, part := range [][]*tandemv1.Content{dealt[:cut], dealt[cut:]} {
		p := &tandemv1.Panel{Id: fmt.Sprintf("s%d", i+1), Contents: part}
		for _, c := range part {
			p.Pieces += c.GetPieces()
		}
		if p.GetPieces() > 0 {
			run.Panels = append(run.Panels, p)
		}
	}
	g := GangJobs{Job: run}
	for _, s := range alike[0].Steps[:1+a.D%len(alike[0].Steps)] {
		own := proto.CloneOf(s.Spec)
		own.Panels = nil
		run.Steps = append(run.Steps, own)
		for i, j := range alike {
			if i == 0 && a.A%4 == 0 && len(run.GetSteps()) > 1 {
				continue // it goes its own way after the first
			}
			g.Carries = append(g.Carries, &ledgerv1.Carry{Step: s.ID(), Member: j.ID, MemberStep: s.ID()})
		}
	}
	w.do(m, g)
}

// deal takes the stretches of all jobs in turns, or job by job, and cuts some of them in two.
func deal(of [][]*tandemv1.Content, inTurns bool) []*tandemv1.Content {
	var out []*tandemv1.Content
	for round := 0; len(of) > 0; round++ {
		i := 0
		if inTurns {
			i = round % len(of)
		}
		c := of[i][0]
		if n := c.GetPieces() / 2; inTurns && n > 0 {
			out = append(out, &tandemv1.Content{Job: c.GetJob(), Item: c.GetItem(), Pieces: n})
			of[i][0] = &tandemv1.Content{Job: c.GetJob(), Item: c.GetItem(), Pieces: c.GetPieces() - n}
			if c.GetPieces()-n > 1 {
				continue
			}
			c = of[i][0]
		}
		out = append(out, c)
		if of[i] = of[i][1:]; len(of[i]) == 0 {
			of = slices.Delete(of, i, i+1)
		}
	}
	return out
}

func sameSteps(a, b *Job) bool {
	return slices.EqualFunc(a.Steps, b.Steps, func(a, b *Step) bool {
		return a.ID() == b.ID() && slices.Equal(a.Spec.GetAfter(), b.Spec.GetAfter()) && differs(a.Spec, b.Spec) == ""
	})
}

// gangActs draws a day on which most goes well, so that gang runs get far, and what befalls them befalls them on the way.
func gangActs(most int) *rapid.Generator[[]act] {
	return actsOf([]string{
		"submit", "submit", "gang", "help", "help", "help", "grant", "grant", "start", "start", "orders", "orders", "work", "work", "work",
		"report", "report", "report", "finish", "time", "hold", "release", "cancel", "override", "spoil", "remake", "resolve", "move",
		"lose", "reboot", "lie", "restart", "in gang: cancel", "in gang: spoil", "in gang: remake", "in gang: resolve", "in gang: abandon",
		"in gang: abandon", "in gang: spoil", "receive", "load lot", "archive", "archive",
	}, most)
}

// Whatever happens to jobs that share panels, the rules hold, the ledger alone gives the same floor, a restored floor goes on the
// same, and everything can be brought to its end.
func TestAnyDayWithGangRuns(t *testing.T) {
	ends := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(anyFloor(t))
		s := newShadow(t, w)
		w.watch = func(c Command, _ Meta, d Decision, _ error) {
			s.look()
			count(w.floor, w.now, ends)
			for _, e := range d.Events {
				s.event(c, e)
			}
		}
		w.open()
		n := rapid.IntRange(0, 1000)
		for range rapid.IntRange(2, 4).Draw(t, "jobs") {
			w.play(act{"submit", n.Draw(t, "pieces"), 2, n.Draw(t, "panels"), 3})
		}
		w.play(act{"gang", n.Draw(t, "first"), n.Draw(t, "members"), n.Draw(t, "panels"), n.Draw(t, "steps")})
		for range rapid.IntRange(0, 8).Draw(t, "good hours") {
			w.helpOn()
		}
		for _, a := range gangActs(60).Draw(t, "acts before") {
			w.play(a)
			s.look()
		}
		w.replays(t)
		read := &ledgerv1.Snapshot{}
		if err := proto.Unmarshal(marshal(t, w.floor.Snapshot()), read); err != nil {
			t.Fatal(err)
		}
		restored, err := Restore(read)
		if err != nil {
			t.Fatal(err)
		}
		other := w.on(restored)
		w.records = nil
		for i, a := range gangActs(40).Draw(t, "acts after") {
			w.play(a)
			s.look()
			other.play(a)
			sameRecords(t, i, w.records, other.records)
			w.records, other.records = nil, nil
		}
		if !bytes.Equal(marshal(t, w.floor.Snapshot()), marshal(t, restored.Snapshot())) {
			t.Fatal("the two floors have come apart")
		}
		for range 200 {
			if w.allEnded() {
				break
			}
			w.helpOn()
			s.look()
		}
		for _, j := range w.floor.Jobs {
			if j.open > 0 {
				t.Fatalf("open after all help: %v", j.View(w.now))
			}
		}
	})
	t.Log(ends)
	// What is rare in random days (taken apart, aborted, a member left without pieces) has stories of its own.
	for _, what := range []string{"processing", "completed", "with members lost", "with spoiled pieces"} {
		if ends[what] == 0 {
			t.Errorf("no gang run was %s in any of the days: %v", what, ends)
		}
	}
}

// playGang lets something happen to a gang run or to one of its members.
func (w *world) playGang(a act, m Meta, kind string) {
	s := w.step(a.A, func(s *Step) bool { return s.Open() && (s.Job.IsGang() || s.Carrier != nil) })
	if s == nil {
		return
	}
	n := int32(1 + a.B%3)
	p := s.Panels[a.C%len(s.Panels)]
	if a.D%3 == 0 {
		n = p.Good
	}
	switch kind {
	case "cancel":
		w.do(m, CancelJob{Job: s.Job.ID})
	case "spoil":
		w.do(m, SpoilPieces{Job: s.Job.ID, Panel: p.ID, Step: []string{"", s.ID()}[a.D%2], Pieces: min(n, p.Good)})
	case "remake":
		w.do(m, RemakePieces{Job: s.Job.ID, Step: s.ID(), Panel: p.ID, Pieces: min(n, p.Good)})
	default:
		if s.Carrier != nil {
			s = s.Carrier
		}
		if len(s.Runs) == 0 {
			return
		}
		c := ResolveRun{Run: s.Runs[len(s.Runs)-1].ID, Outcome: ledgerv1.RunResolved_OUTCOME_ABANDON}
		if kind == "resolve" {
			c.Outcome, c.Good = ledgerv1.RunResolved_Outcome(1+a.B%3), int32(a.C%6)
		}
		w.do(m, c)
	}
}

// count notes what has become of gang runs, so that a test which finds nothing wrong is known to have seen something.
func count(f *Floor, now time.Time, ends map[string]int) {
	for _, j := range f.Jobs {
		if slices.ContainsFunc(j.Steps, (*Step).lost) {
			ends["left a member without pieces"]++
		}
		if strings.HasPrefix(j.ID, "gang-") && !j.IsGang() {
			ends["dissolved"]++
		}
		if !j.IsGang() {
			continue
		}
		state, _ := j.State(now)
		ends[Keyword(state)]++
		if slices.ContainsFunc(j.Members, func(m *Job) bool { return m.Ending != 0 }) {
			ends["with members lost"]++
		}
		if slices.ContainsFunc(j.Panels, func(p *Panel) bool { return p.Good > 0 && p.Spoiled > 0 }) {
			ends["with spoiled pieces"]++
		}
	}
}
