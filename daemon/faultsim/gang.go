package faultsim

import (
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// gangs lets a person put several jobs on shared panels: jobs that are there, or some that a client hands in on hold for it.
func (w *World) gangs(a Act) {
	if a.B%3 == 0 {
		w.gangOf(a, w.alike(a))
		return
	}
	var members []*tandemv1.Job
	left := 2 + int(a.B/4%2)
	for range left {
		w.jobs++
		n := uint64(w.jobs)
		j := order(w.jobs, a.A+n*3, a.B/8%5+5*(a.B/64%50+n*7))
		say(j)
		j.Hold = true
		if members = append(members, j); careful(a) {
			j.Steps[0].Media = members[0].GetSteps()[0].GetMedia()
		}
	}
	for _, j := range members {
		c := w.ask("client", "submit-"+j.GetId(), func() floor.Command { return floor.CreateJob{Job: proto.CloneOf(j)} })
		c.then = func() {
			if left--; left > 0 {
				return
			}
			w.gangOf(a, members)
			for i, j := range members { // each when it has been looked at; some the people of the floor must release
				if a.A/2>>i%4 > 0 {
					w.in(time.Duration(1+i)*a.For/4, func() {
						w.ask("mira", "release-"+j.GetId(), func() floor.Command { return floor.ReleaseJob{Job: j.GetId()} })
					})
				}
				if a.A/32%5 == 0 { // it was all for one customer, who has thought better of it
					w.in(a.For+time.Duration(i)*a.For/16, func() {
						w.ask("client", "cancel-"+j.GetId(), func() floor.Command { return floor.CancelJob{Job: j.GetId()} })
					})
				}
			}
		}
	}
}

// alike finds jobs that have the same steps and of which nobody has begun anything, as far as a person sees.
func (w *World) alike(a Act) (out []*tandemv1.Job) {
	if w.leader == nil {
		return nil
	}
	ids := func(j *tandemv1.Job) (ids []string) {
		for _, s := range j.GetSteps() {
			ids = append(ids, s.GetId())
		}
		return ids
	}
	jobs := w.leader.s.State().Floor.Jobs
	for i := range jobs {
		j := jobs[(i+int(a.A%1000))%len(jobs)]
		careless := a.B%5 == 0
		if ok, _ := j.CanGang(); (ok || careless) && len(out) < 3 && (len(out) == 0 || slices.Equal(ids(out[0]), ids(j.Spec))) {
			spec := proto.CloneOf(j.Spec)
			say(spec)
			out = append(out, spec)
		}
	}
	return out
}

// say writes what lies on the panels of a job, as one that is handed in as items has it.
func say(j *tandemv1.Job) {
	if len(j.GetPanels()) == 0 {
		j.Panels, j.Pieces = []*tandemv1.Panel{{Id: "p1", Pieces: j.GetPieces()}}, 0
	}
	for _, p := range j.GetPanels() {
		p.Contents = []*tandemv1.Content{{Item: "x", Pieces: p.GetPieces()}}
	}
}

// gangOf lets a person ask for a gang run of some jobs: it does all their steps or the first ones, on one panel or two. Who is careful lets
// it wait and dry as long as each of them must; who is not takes the times and the media of the first one.
func (w *World) gangOf(a Act, members []*tandemv1.Job) {
	if len(members) < 2 {
		return
	}
	w.jobs++
	run := &tandemv1.Job{Id: fmt.Sprintf("job-%d", w.jobs), Panels: dealt(members, a)}
	var carries []*ledgerv1.Carry
	steps := members[0].GetSteps()
	steps = steps[:1+int(a.A/16)%len(steps)]
	for i, first := range steps {
		s := proto.CloneOf(first)
		s.Panels = nil
		for k, m := range members {
			if k == 0 && i > 0 && a.A%5 == 0 {
				continue // it goes its own way after the first step
			}
			own := m.GetSteps()[i]
			carries = append(carries, &ledgerv1.Carry{Step: s.GetId(), Member: m.GetId(), MemberStep: own.GetId()})
			if k > 0 {
				s.LengthUm += own.GetLengthUm()
			}
			if careful(a) {
				s.MinWait = longer(s.GetMinWait(), own.GetMinWait())
				s.Duration = longer(s.GetDuration(), own.GetDuration())
			}
		}
		run.Steps = append(run.Steps, s)
	}
	w.ask("mira", "gang-"+run.GetId(), func() floor.Command { return floor.GangJobs{Job: proto.CloneOf(run), Carries: carries} })
}

// careful says whether who puts jobs together looks at what each of them asks for.
func careful(a Act) bool { return a.A/8%4 > 0 }

func longer(a, b *durationpb.Duration) *durationpb.Duration {
	if b.AsDuration() > a.AsDuration() {
		return b
	}
	return a
}

// dealt lays the pieces of jobs on one panel or two, each time a few of the next.
func dealt(members []*tandemv1.Job, a Act) []*tandemv1.Panel {
	panels := []*tandemv1.Panel{{Id: "s1"}, {Id: "s2"}}
	left := make([]int32, len(members))
	var all int32
	for i, m := range members {
		for _, p := range m.GetPanels() {
			left[i] += p.GetPieces()
		}
		all += left[i]
	}
	for round := 0; all > 0; round++ {
		i := round % len(members)
		n := min(left[i], 1+int32(a.B/16%4))
		if n == 0 {
			continue
		}
		left[i] -= n
		all -= n
		p := panels[0]
		if a.B/64%3 == 0 && len(p.GetContents()) > 1 {
			p = panels[1]
		}
		p.Pieces += n
		p.Contents = append(p.Contents, &tandemv1.Content{Job: members[i].GetId(), Item: "x", Pieces: n})
	}
	return slices.DeleteFunc(panels, func(p *tandemv1.Panel) bool { return p.GetPieces() == 0 })
}
