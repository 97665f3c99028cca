package ticket

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// group is the items that share panels.
type group struct {
	items  []*item
	first  *item
	panels []string
	marked bool // a cutter has to find the print
}

// Stuff is what items must have in common to share panels.
type Stuff struct {
	Media, Ink, Mode, Film string
	Printed                bool
}

// StuffOf returns what an item is made of.
func StuffOf(it *tandemv1.Item) Stuff {
	return Stuff{it.GetMedia(), it.GetInk(), it.GetMode(), it.GetFilm(), it.GetArtwork() != nil || it.GetInk() != ""}
}

// groups returns the items by what they are made of, in the order of the ticket.
func (m *maker) groups() []*group {
	var out []*group
	byKey := map[Stuff]*group{}
	for _, it := range m.items {
		k := StuffOf(it.Item)
		g := byKey[k]
		if g == nil {
			g = &group{first: it}
			byKey[k] = g
			out = append(out, g)
		}
		g.items = append(g.items, it)
		g.marked = g.marked || (it.printed() && len(it.cutKinds()) > 0)
	}
	return out
}

// make lays a group out and adds its panels and steps.
func (m *maker) make(g *group, number int) {
	used, ok := m.lay(g)
	if !ok {
		return
	}
	width := m.media(g.first.GetMedia()).GetWidthUm()
	var last string
	add := func(id string, s *tandemv1.Step) {
		if number > 0 {
			id = fmt.Sprintf("%s-%d", id, number+1)
		}
		s.Id, s.WidthUm, s.LengthUm, s.Panels = id, width, used, slices.Clone(g.panels)
		if last != "" {
			s.After = []string{last}
		} else {
			s.Media = g.first.GetMedia()
		}
		last = id
		m.job.Steps = append(m.job.Steps, s)
	}
	var wait time.Duration
	if g.first.printed() {
		add(opPrint, m.printStep(g))
		wait = m.drying(g)
		if wait > 0 && m.canDry() {
			add(opDry, &tandemv1.Step{Operation: opDry, Duration: durationpb.New(wait), Note: "Caution: fresh prints give off vapour; keep the ventilation on. The time is a floor: check by touch and smell."})
			wait = 0
		}
	}
	next := func(id string, s *tandemv1.Step) {
		if wait > 0 {
			s.MinWait = durationpb.New(wait)
			wait = 0
		}
		add(id, s)
	}
	if film := g.first.GetFilm(); film != "" {
		next(opLaminate, &tandemv1.Step{Operation: opLaminate, Film: film, Note: "Caution: nip point, hot rollers. Hair, sleeves and gloves away."})
	}
	m.cuts(g, next)
	m.handWork(g, next)
	m.ends = append(m.ends, end{step: last, panels: g.panels, items: g.items})
}

func (m *maker) printStep(g *group) *tandemv1.Step {
	s := &tandemv1.Step{Operation: opPrint, Ink: g.first.GetInk(), Mode: g.first.GetMode()}
	for _, it := range g.items {
		if a := it.GetArtwork(); a != nil {
			role := a.GetRole()
			if role == "" {
				role = "artwork"
			}
			s.Documents = append(s.Documents, &tandemv1.Document{Role: role, Uri: a.GetUri(), Sha256: a.GetSha256()})
		}
	}
	s.Note = "Caution: the carriage moves without warning; keep the extraction running."
	if s.GetInk() == "uv" {
		s.Note = "Caution: do not look into the UV lamps; gloves against uncured ink; the carriage moves without warning."
	}
	return s
}

// drying returns how long the group dries: as long as the item that needs longest.
func (m *maker) drying(g *group) time.Duration {
	next := g.next()
	if next == "" {
		return 0
	}
	var longest time.Duration
	for _, it := range g.items {
		inks := []string{it.GetInk()}
		if it.GetInk() == "" { // any ink may print it: it dries as long as the slowest of them
			inks = m.inksFor(it.GetMedia())
			if len(inks) == 0 && next == opLaminate {
				m.add(it.field("ink"), "is missing: how long it dries before laminating depends on it, and no printer says which inks it has")
			}
		}
		for _, ink := range inks {
			t, source, err := m.rules.dries(ink, it.GetMedia(), it.GetCoveragePercent(), next)
			if err != nil {
				m.add(it.field("ink"), "%v", err)
				continue
			}
			if t <= longest {
				continue
			}
			longest = t
			switch {
			case it.GetInk() == "":
				m.note("items[%d] names no ink: dries %v before %s, as %s ink must", it.index, t, next, ink)
			case source != "rule of the floor file":
				m.note("dries %v before %s by the standard for %s ink: %s", t, next, ink, source)
			}
		}
	}
	return longest
}

// inksFor returns the inks of the printers that take a media, in the order of the floor file.
func (m *maker) inksFor(media string) []string {
	var out []string
	for _, spec := range m.file.GetDevices() {
		d := floor.Device{ID: spec.GetId(), Spec: spec}
		if ok, _ := d.Fits(&tandemv1.Step{Operation: opPrint, Media: media}); !ok {
			continue
		}
		for _, ink := range d.Ability(opPrint).GetInks() {
			if !slices.Contains(out, ink) {
				out = append(out, ink)
			}
		}
	}
	return out
}

// next returns the operation that comes after printing and drying.
func (g *group) next() string {
	if g.first.GetFilm() != "" {
		return opLaminate
	}
	for _, it := range g.items {
		if len(it.cutKinds()) > 0 {
			return opCut
		}
	}
	for _, it := range g.items {
		if len(it.GetHandWork()) > 0 {
			return it.GetHandWork()[0]
		}
	}
	return ""
}

func (m *maker) canDry() bool {
	return slices.ContainsFunc(m.file.GetDevices(), func(d *tandemv1.Device) bool {
		return slices.ContainsFunc(d.GetAbilities(), func(a *tandemv1.Ability) bool { return a.GetOperation() == opDry })
	})
}

// handWork adds the hand work of a group's items, except for packing, which the whole job has in common.
func (m *maker) handWork(g *group, next func(string, *tandemv1.Step)) {
	var order []string
	for _, it := range g.items {
		for _, op := range it.GetHandWork() {
			if op != opPack && !slices.Contains(order, op) {
				order = append(order, op)
			}
		}
	}
	for _, op := range order {
		next(op, m.handStep(op, g.items))
	}
}

// handStep returns the step of a kind of hand work. Where only some of the pieces need it, the time is worked out for them.
func (m *maker) handStep(op string, items []*item) *tandemv1.Step {
	s := &tandemv1.Step{Operation: op}
	if op == "weed" {
		s.Note = "Caution: hooks and blades; work away from the hand, blades into a closed bin."
	}
	var pieces, all int32
	var path int64
	for _, it := range items {
		n := it.GetQuantity() + it.GetOvers()
		all += n
		if slices.Contains(it.GetHandWork(), op) {
			pieces += n
			path += int64(n) * it.GetContour().GetLengthUm()
		}
	}
	s.PathLengthUm = path
	if pieces < all {
		for _, d := range m.file.GetDevices() {
			for _, a := range d.GetAbilities() {
				if a.GetOperation() == op {
					t := time.Duration(pieces)*a.GetPerPiece().AsDuration() + time.Duration(float64(path)/1e6*float64(a.GetPerPathMetre().AsDuration()))
					setContourWork(s, d.GetId(), t)
				}
			}
		}
	}
	return s
}

func setContourWork(s *tandemv1.Step, device string, t time.Duration) {
	if s.ContourWork == nil {
		s.ContourWork = map[string]*durationpb.Duration{}
	}
	if t > 0 && len(s.GetContourWork()) < 64 {
		s.ContourWork[device] = durationpb.New(t)
	}
}

// packs joins the groups: one step packs what the job's items ask for.
func (m *maker) packs() {
	s := &tandemv1.Step{Id: opPack}
	var items []*item
	for _, e := range m.ends {
		if !slices.ContainsFunc(e.items, func(it *item) bool { return slices.Contains(it.GetHandWork(), opPack) }) {
			continue
		}
		items = append(items, e.items...)
		s.Panels = append(s.Panels, e.panels...)
		if e.step != "" {
			s.After = append(s.After, e.step)
		}
	}
	if len(items) == 0 {
		return
	}
	made := m.handStep(opPack, items)
	made.Id, made.Panels, made.After = s.GetId(), s.GetPanels(), s.GetAfter()
	m.job.Steps = append(m.job.Steps, made)
}

func kindTitle(kind string) string { return strings.ToUpper(kind[:1]) + kind[1:] }
