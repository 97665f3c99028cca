package label

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// References are the labels of a ticket that are printed as the customer's reference: the first of them that it has.
func References() []string {
	return []string{"customer-reference", "reference", "order", "xjdf-job-id"}
}

// Surroundings are what a traveler tells beside its job.
type Surroundings struct {
	Devices []*tandemv1.Device // of the floor
	Now     time.Time          // the floor's clock
	Zone    *time.Location     // of the reader
	// Reference is the key of the ticket's label to be printed as the customer's reference. Empty: one of References.
	Reference string
}

// OfPanels makes the travelers of a job's panels, of all if none is named, by id or by code.
func OfPanels(job *tandemv1.Job, named []string, around Surroundings) ([]Traveler, error) {
	panels := job.GetPanels()
	for _, name := range named {
		if !slices.ContainsFunc(panels, func(p *tandemv1.Panel) bool { return isNamed(p, name) }) {
			var ids []string
			for _, p := range panels {
				ids = append(ids, p.GetId())
			}
			return nil, fmt.Errorf("job %s has no panel %q: it has %s", job.GetId(), name, orElse(some(ids, 12), "none"))
		}
	}
	steps := inOrder(job.GetSteps())
	var list []Traveler
	for i, p := range panels {
		if len(named) > 0 && !slices.ContainsFunc(named, func(name string) bool { return isNamed(p, name) }) {
			continue
		}
		if p.GetCode() == "" {
			return nil, fmt.Errorf("panel %s of job %s has no code yet", p.GetId(), job.GetId())
		}
		list = append(list, traveler(job, p, i+1, steps, around))
	}
	return list, nil
}

func isNamed(p *tandemv1.Panel, name string) bool {
	return p.GetId() == name || p.GetCode() != "" && strings.EqualFold(p.GetCode(), name)
}

func traveler(job *tandemv1.Job, panel *tandemv1.Panel, number int, steps []*tandemv1.Step, around Surroundings) Traveler {
	t := Traveler{
		Code: panel.GetCode(), Panel: panel.GetId(), Number: number, Of: len(job.GetPanels()), Pieces: int(panel.GetPieces()),
		Job: job.GetId(), JobCode: job.GetCode(), JobName: job.GetDisplayName(), RemakeOf: panel.GetRemakeOf(), Members: membersLeft(job),
		Customer: job.GetLabels()["customer"], Due: "no time promised",
		AsOf: fmt.Sprintf("as of %s, revision %d", around.Now.In(around.Zone).Format("2006-01-02 15:04"), job.GetRevision()),
	}
	if job.GetDueTime() != nil {
		t.Due = "due " + job.GetDueTime().AsTime().In(around.Zone).Format("Mon 2 Jan 2006 15:04")
	}
	for _, key := range References() {
		if around.Reference == "" && t.Reference == "" {
			t.Reference = job.GetLabels()[key]
		}
	}
	if around.Reference != "" {
		t.Reference = job.GetLabels()[around.Reference]
	}
	for _, c := range panel.GetContents() {
		line := fmt.Sprintf("%d x %s", c.GetPieces(), c.GetItem())
		if c.GetJob() != "" {
			line += " of " + c.GetJob()
		}
		switch spoiled := c.GetPiecesSpoiled(); {
		case spoiled == 0:
		case spoiled >= c.GetPieces(): // of a job that was canceled, too: they are on the panel all the same
			line += ": all spoiled, throw them away"
		default:
			line += fmt.Sprintf(", %d of them spoiled", spoiled)
		}
		t.Contents = append(t.Contents, line)
	}
	var here []*tandemv1.Step
	for _, s := range steps {
		if len(s.GetPanels()) > 0 && !slices.Contains(s.GetPanels(), panel.GetId()) {
			continue
		}
		here = append(here, s)
		t.Media = with(t.Media, s.GetMedia())
		t.Film = with(t.Film, s.GetFilm())
		for _, d := range s.GetDocuments() {
			if d.GetRole() == "cut" && d.GetSha256() != "" {
				t.CutFiles = with(t.CutFiles, d.GetSha256()[:min(shortHash, len(d.GetSha256()))])
			}
		}
		t.Steps = append(t.Steps, Stop{
			Name: s.GetId(), Where: where(s, around.Devices), Note: s.GetNote(), Done: s.GetState() == tandemv1.JobState_JOB_STATE_COMPLETED,
		})
	}
	t.Cautions = cautionsOfSteps(here)
	return t
}

// membersLeft are the jobs of a gang run that still have a good piece on its panels: one that was canceled has none.
func membersLeft(job *tandemv1.Job) []string {
	good := map[string]int32{}
	for _, p := range job.GetPanels() {
		for _, c := range p.GetContents() {
			good[c.GetJob()] += c.GetPieces() - c.GetPiecesSpoiled()
		}
	}
	return slices.DeleteFunc(slices.Clone(job.GetMembers()), func(member string) bool {
		n, known := good[member]
		return known && n <= 0
	})
}

// shortHash is how many digits of a hash are printed: enough to tell the cut files of a shop apart.
const shortHash = 12

// with adds a text that is not empty and not there yet.
func with(list []string, s string) []string {
	if s == "" || slices.Contains(list, s) {
		return list
	}
	return append(list, s)
}

// where says on what a step is done: its run's device, those that it may use, or those of the floor that know its
// operation.
func where(s *tandemv1.Step, devices []*tandemv1.Device) string {
	if s.GetCarriedBy() != "" {
		return "in the gang run " + s.GetCarriedBy()
	}
	on := ""
	if n := len(s.GetRuns()); n > 0 {
		on = s.GetRuns()[n-1].GetDevice()
	}
	if on == "" {
		names := s.GetDevices()
		if len(names) == 0 {
			for _, d := range devices {
				if slices.ContainsFunc(d.GetAbilities(), func(a *tandemv1.Ability) bool { return a.GetOperation() == s.GetOperation() }) {
					names = append(names, d.GetId())
				}
			}
		}
		on = orElse(some(names, 3), "by hand")
	}
	if s.GetOperation() != s.GetId() {
		on = s.GetOperation() + ": " + on
	}
	if d := s.GetMinWait(); d.AsDuration() > 0 {
		on += ", not before " + wording.Span(d.AsDuration()) + " have passed"
	}
	if d := s.GetDuration(); d.AsDuration() > 0 {
		on += ", " + wording.Span(d.AsDuration())
	}
	return on
}

// some names at most so many, and how many more there are.
func some(names []string, most int) string {
	if len(names) > most {
		return fmt.Sprintf("%s or %d more", strings.Join(names[:most], ", "), len(names)-most)
	}
	if n := len(names); n > 1 {
		return strings.Join(names[:n-1], ", ") + " or " + names[n-1]
	}
	return strings.Join(names, "")
}

// inOrder puts steps behind those that they wait for, and leaves their order alone otherwise.
func inOrder(steps []*tandemv1.Step) []*tandemv1.Step {
	var out []*tandemv1.Step
	placed := map[string]bool{}
	known := map[string]bool{}
	for _, s := range steps {
		known[s.GetId()] = true
	}
	for len(out) < len(steps) {
		before := len(out)
		for _, s := range steps {
			waits := slices.ContainsFunc(s.GetAfter(), func(id string) bool { return known[id] && !placed[id] })
			if !placed[s.GetId()] && !waits {
				placed[s.GetId()] = true
				out = append(out, s)
			}
		}
		if len(out) == before {
			// A daemon takes no circle in; of one that did, the order as it came is as good as any.
			return steps
		}
	}
	return out
}

func orElse(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}
