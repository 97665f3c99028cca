package floor

import (
	"fmt"
	"maps"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
)

// MostPieces and the others are limits of a job. They are far beyond what a shop does and keep one bad ticket from harming the rest.
const (
	mostPanels   = 1000
	MostPieces   = 1_000_000                  // of a job
	mostLength   = int64(100_000) * 1_000_000 // 100 km, in micrometres
	mostWidth    = int64(20) * 1_000_000      // 20 m
	mostDuration = 60 * 24 * time.Hour
	mostText     = 200
	mostNote     = 2000
	mostEntries  = 64 // labels, requirements, devices, documents
	mostContents = 10_000
	mostItems    = 200
)

// check collects violations, a bounded number of them.
type check struct {
	violations []Violation
	within     place // of the fields whose names begin with a point
}

// place is an element of a list. Its name is put together only if something is wrong with it, which is rare.
type place struct {
	list  string
	index int
}

func (c *check) add(field, format string, args ...any) {
	const most = 50
	if len(c.violations) < most {
		if strings.HasPrefix(field, ".") {
			field = fmt.Sprintf("%s[%d]%s", c.within.list, c.within.index, field)
		}
		c.violations = append(c.violations, Violation{Field: field, Problem: fmt.Sprintf(format, args...)})
	}
}

func (c *check) id(field, id string) {
	if !tandemv1.ValidID(id) {
		c.add(field, "%q is not an id: %s", shorten(id), tandemv1.IDRule)
	}
}

func (c *check) optionalID(field, id string) {
	if id != "" {
		c.id(field, id)
	}
}

func (c *check) text(field, s string, most int) {
	switch {
	case len(s) > most:
		c.add(field, "has %d bytes, at most %d are kept", len(s), most)
	case !utf8.ValidString(s):
		c.add(field, "is not UTF-8")
	case strings.ContainsFunc(s, func(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\t' }):
		c.add(field, "holds control characters")
	}
}

func (c *check) length(field string, v, most int64) {
	if v < 0 || v > most {
		c.add(field, "%d um is not between 0 and %d um", v, most)
	}
}

func (c *check) duration(field string, d *durationpb.Duration) {
	if d == nil {
		return
	}
	if err := d.CheckValid(); err != nil || d.AsDuration() < 0 || d.AsDuration() > mostDuration {
		c.add(field, "is not between 0 and %v", mostDuration)
	}
}

func (c *check) time(field string, t *timestamppb.Timestamp) {
	if t != nil && (!t.IsValid() || t.AsTime().Year() < 2000 || t.AsTime().Year() > 2200) {
		c.add(field, "is not a time between the years 2000 and 2200")
	}
}

func (c *check) entries(field string, n int) {
	if n > mostEntries {
		c.add(field, "has %d entries, at most %d are taken", n, mostEntries)
	}
}

// normalise checks a job as handed in and returns a copy with only the inputs, defaults filled in. Every bad field is
// named in the error.
func normalise(in *tandemv1.Job) (*tandemv1.Job, error) {
	c := &check{}
	if in == nil {
		return nil, invalid("job", "is missing")
	}
	c.id("job.id", in.GetId())
	c.text("job.display_name", in.GetDisplayName(), mostText)
	if p := in.GetPriority(); p < 0 || p > 100 {
		c.add("job.priority", "%d is not between 1 and 100 (0 means %d)", p, StandardPriority)
	}
	c.time("job.release_time", in.GetReleaseTime())
	c.time("job.due_time", in.GetDueTime())
	c.entries("job.labels", len(in.GetLabels()))
	for _, k := range sortedKeys(in.GetLabels()) {
		c.text("job.labels", k, mostText)
		c.text(fmt.Sprintf("job.labels[%q]", shorten(k)), in.GetLabels()[k], mostNote)
	}
	out := jobInputs(in)
	out.Labels = maps.Clone(in.GetLabels())
	if out.GetPriority() == 0 {
		out.Priority = StandardPriority
	}
	out.Panels = c.panels(in)
	out.Steps = c.steps(in, out.GetPanels())
	if len(c.violations) > 0 {
		return nil, &Error{Kind: Invalid, Reason: "INVALID_JOB", Message: "the job cannot be taken in", Violations: c.violations}
	}
	return out, nil
}

func (c *check) panels(in *tandemv1.Job) []*tandemv1.Panel {
	if len(in.GetPanels()) == 0 {
		c.pieces("job.pieces", in.GetPieces())
		return []*tandemv1.Panel{{Id: "p1", Pieces: in.GetPieces()}}
	}
	if len(in.GetPanels()) > mostPanels {
		c.add("job.panels", "has %d panels, at most %d are taken", len(in.GetPanels()), mostPanels)
		return nil
	}
	var out []*tandemv1.Panel
	seen := map[string]bool{}
	var sum int64
	for i, p := range in.GetPanels() {
		c.within = place{"job.panels", i}
		c.id(".id", p.GetId())
		if seen[p.GetId()] {
			c.add(".id", "%q is used twice", shorten(p.GetId()))
		}
		seen[p.GetId()] = true
		c.pieces(".pieces", p.GetPieces())
		sum += int64(p.GetPieces())
		c.length(".width_um", p.GetWidthUm(), mostWidth)
		c.length(".length_um", p.GetLengthUm(), mostLength)
		c.contents(".contents", p)
		out = append(out, panelInputs(p))
	}
	if in.GetPieces() != 0 && int64(in.GetPieces()) != sum {
		c.add("job.pieces", "%d is not the sum of the panels' pieces, %d: leave it out", in.GetPieces(), sum)
	}
	if sum > MostPieces {
		c.add("job.panels", "have %d pieces, at most %d are taken", sum, MostPieces)
	}
	return out
}

// panelInputs returns a copy of a panel with only its inputs.
func panelInputs(p *tandemv1.Panel) *tandemv1.Panel {
	out := &tandemv1.Panel{Id: p.GetId(), Pieces: p.GetPieces(), WidthUm: p.GetWidthUm(), LengthUm: p.GetLengthUm()}
	for _, t := range p.GetContents() {
		out.Contents = append(out.Contents, &tandemv1.Content{Item: t.GetItem(), Pieces: t.GetPieces(), Job: t.GetJob()})
	}
	return out
}

// contents checks that what lies on a panel adds up to its pieces.
func (c *check) contents(field string, p *tandemv1.Panel) {
	if len(p.GetContents()) > mostContents {
		c.add(field, "has %d stretches, at most %d are taken", len(p.GetContents()), mostContents)
		return
	}
	var sum int64
	for i, t := range p.GetContents() {
		at := fmt.Sprintf("%s[%d]", field, i)
		c.id(at+".item", t.GetItem())
		c.optionalID(at+".job", t.GetJob())
		c.pieces(at+".pieces", t.GetPieces())
		sum += int64(t.GetPieces())
	}
	if len(p.GetContents()) > 0 && sum != int64(p.GetPieces()) {
		c.add(field, "hold %d pieces and the panel %d", sum, p.GetPieces())
	}
}

func (c *check) pieces(field string, n int32) {
	if n < 1 || n > MostPieces {
		c.add(field, "%d is not between 1 and %d", n, MostPieces)
	}
}

func (c *check) steps(in *tandemv1.Job, panels []*tandemv1.Panel) []*tandemv1.Step {
	switch n := len(in.GetSteps()); {
	case n == 0:
		c.add("job.steps", "is empty: a job has at least one step")
		return nil
	case n > mostSteps:
		c.add("job.steps", "has %d steps, at most %d are taken", n, mostSteps)
		return nil
	}
	known := map[string]bool{}
	for _, p := range panels {
		known[p.GetId()] = true
	}
	index := map[string]int{}
	for i, s := range in.GetSteps() {
		if j, twice := index[s.GetId()]; twice {
			c.add(fmt.Sprintf("job.steps[%d].id", i), "%q is the id of steps[%d] too", shorten(s.GetId()), j)
			continue
		}
		index[s.GetId()] = i
	}
	out := make([]*tandemv1.Step, len(in.GetSteps()))
	for i, s := range in.GetSteps() {
		c.within = place{"job.steps", i}
		out[i] = c.step(s, index, known)
		if len(out[i].GetPanels()) == 0 {
			for _, p := range panels {
				out[i].Panels = append(out[i].Panels, p.GetId())
			}
		}
	}
	c.cycle(in.GetSteps(), index)
	return out
}

func (c *check) step(s *tandemv1.Step, steps map[string]int, panels map[string]bool) *tandemv1.Step {
	c.id(".id", s.GetId())
	c.id(".operation", s.GetOperation())
	seen := map[string]bool{}
	for i, a := range s.GetAfter() {
		if _, ok := steps[a]; !ok {
			c.add(fmt.Sprintf(".after[%d]", i), "there is no step %q in this job", shorten(a))
		} else if seen[a] {
			c.add(fmt.Sprintf(".after[%d]", i), "%q is named twice", a)
		}
		seen[a] = true
	}
	seen = map[string]bool{}
	for i, p := range s.GetPanels() {
		if !panels[p] {
			c.add(fmt.Sprintf(".panels[%d]", i), "there is no panel %q in this job", shorten(p))
		} else if seen[p] {
			c.add(fmt.Sprintf(".panels[%d]", i), "%q is named twice", p)
		}
		seen[p] = true
	}
	c.optionalID(".media", s.GetMedia())
	c.optionalID(".ink", s.GetInk())
	c.optionalID(".mode", s.GetMode())
	c.optionalID(".film", s.GetFilm())
	c.optionalID(".blade", s.GetBlade())
	c.contourWork(".contour_work", s.GetContourWork())
	c.length(".width_um", s.GetWidthUm(), mostWidth)
	c.length(".length_um", s.GetLengthUm(), mostLength)
	c.length(".path_length_um", s.GetPathLengthUm(), mostLength)
	c.entries(".requires", len(s.GetRequires()))
	for _, k := range sortedKeys(s.GetRequires()) {
		c.text(".requires", k, mostText)
		c.text(fmt.Sprintf(".requires[%q]", shorten(k)), s.GetRequires()[k], mostText)
	}
	c.entries(".devices", len(s.GetDevices()))
	for i, d := range s.GetDevices() {
		c.id(fmt.Sprintf(".devices[%d]", i), d)
	}
	c.duration(".duration", s.GetDuration())
	c.duration(".min_wait", s.GetMinWait())
	c.duration(".max_wait", s.GetMaxWait())
	if most := s.GetMaxWait().AsDuration(); most > 0 && most < s.GetMinWait().AsDuration() {
		c.add(".max_wait", "is shorter than min_wait")
	}
	c.entries(".documents", len(s.GetDocuments()))
	for i, d := range s.GetDocuments() {
		c.document(fmt.Sprintf(".documents[%d]", i), d)
	}
	c.text(".note", s.GetNote(), mostNote)
	return stepInputs(s)
}

// jobInputs returns a job with only its own inputs, without panels and steps.
func jobInputs(j *tandemv1.Job) *tandemv1.Job {
	return &tandemv1.Job{
		Id: j.GetId(), DisplayName: j.GetDisplayName(), Priority: j.GetPriority(), ReleaseTime: j.GetReleaseTime(),
		DueTime: j.GetDueTime(), Labels: j.GetLabels(), Hold: j.GetHold(), Items: j.GetItems(),
	}
}

// stepInputs returns a step with only its inputs.
func stepInputs(s *tandemv1.Step) *tandemv1.Step {
	return &tandemv1.Step{
		Id: s.GetId(), After: s.GetAfter(), Operation: s.GetOperation(), Panels: s.GetPanels(),
		Media: s.GetMedia(), Ink: s.GetInk(), Mode: s.GetMode(), Film: s.GetFilm(),
		WidthUm: s.GetWidthUm(), LengthUm: s.GetLengthUm(), PathLengthUm: s.GetPathLengthUm(),
		Requires: s.GetRequires(), Devices: s.GetDevices(),
		Duration: s.GetDuration(), MinWait: s.GetMinWait(), MaxWait: s.GetMaxWait(),
		Documents: s.GetDocuments(), Note: s.GetNote(), Blade: s.GetBlade(), ContourWork: s.GetContourWork(),
	}
}

// contourWork checks times worked out for devices.
func (c *check) contourWork(field string, times map[string]*durationpb.Duration) {
	c.entries(field, len(times))
	for _, d := range sortedKeys(times) {
		c.id(field, d)
		c.duration(fmt.Sprintf("%s[%q]", field, shorten(d)), times[d])
	}
}

func (c *check) document(field string, d *tandemv1.Document) {
	c.id(field+".role", d.GetRole())
	c.text(field+".uri", d.GetUri(), mostNote)
	if d.GetUri() == "" {
		c.add(field+".uri", "is missing")
	}
	sum := d.GetSha256()
	if sum == "" {
		if d.GetRole() == "cut" {
			c.add(field+".sha256", "is missing: a cut starts only with the file that has the hash named here")
		}
		return
	}
	if len(sum) != 64 || strings.Trim(sum, "0123456789abcdef") != "" {
		c.add(field+".sha256", "is not a SHA-256: 64 lower case hexadecimal digits")
	}
}

// cycle reports one step of each cycle, at the reference that closes it.
func (c *check) cycle(steps []*tandemv1.Step, index map[string]int) {
	const (
		fresh = iota
		open
		done
	)
	mark := make([]int, len(steps))
	type visit struct{ step, next int }
	for root := range steps {
		if mark[root] != fresh {
			continue
		}
		stack := []visit{{root, 0}}
		mark[root] = open
		for len(stack) > 0 {
			top := &stack[len(stack)-1]
			after := steps[top.step].GetAfter()
			if top.next == len(after) {
				mark[top.step] = done
				stack = stack[:len(stack)-1]
				continue
			}
			at := top.next
			top.next++
			to, ok := index[after[at]]
			switch {
			case !ok || mark[to] == done:
			case mark[to] == open:
				c.add(fmt.Sprintf("job.steps[%d].after[%d]", top.step, at), "closes a cycle: step %q waits for itself", shorten(after[at]))
			default:
				mark[to] = open
				stack = append(stack, visit{to, 0})
			}
		}
	}
}
