package ticket

import (
	"fmt"
	"slices"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/contour"
)

// cuts adds a step for each kind of cut of a group.
func (m *maker) cuts(g *group, next func(string, *tandemv1.Step)) {
	var used []string
	for _, k := range kinds {
		for _, it := range g.items {
			if slices.Contains(it.cutKinds(), k) {
				used = append(used, k)
				break
			}
		}
	}
	for _, k := range used {
		id := opCut
		if len(used) > 1 {
			id = opCut + "-" + k
		}
		next(id, m.cutStep(g, k))
	}
}

func (m *maker) cutStep(g *group, kind string) *tandemv1.Step {
	media := m.media(g.first.GetMedia())
	s := &tandemv1.Step{
		Operation: opCut, Mode: kind, Blade: media.GetBlade(),
		Note: kindTitle(kind) + " cut. Caution: sharp blades, hands off the moving head.",
	}
	passes := int64(1)
	if kind == "through" && media.GetThroughPasses() > 1 {
		passes = int64(media.GetThroughPasses())
	}
	for _, it := range g.items {
		if !slices.Contains(it.cutKinds(), kind) {
			continue
		}
		if c := it.GetCut(); c.GetSha256() != "" {
			s.Documents = append(s.Documents, &tandemv1.Document{Role: "cut", Uri: c.GetUri(), Sha256: c.GetSha256()})
		} else if c != nil {
			m.add(it.field("cut.sha256"), "is missing: hand in the cut file or its SHA-256; a cut starts only with the file that has it")
		}
		s.PathLengthUm += int64(it.GetQuantity()+it.GetOvers()) * it.pathUm(kind) * passes
	}
	cuts := map[*item]*contour.Contour{}
	for _, it := range g.items {
		if slices.Contains(it.cutKinds(), kind) {
			c, err := it.cut(kind)
			if err != nil {
				return s // no device's time can be worked out
			}
			cuts[it] = c
		}
	}
	for _, d := range m.file.GetDevices() {
		for _, a := range d.GetAbilities() {
			if a.GetOperation() == opCut && a.GetCutMotion() != nil {
				if t, ok := contourTime(g, cuts, motionOf(a.GetCutMotion(), int32(passes))); ok {
					setContourWork(s, d.GetId(), t)
				}
			}
		}
	}
	return s
}

// motionOf returns a device's motion with the passes that the media asks for.
func motionOf(c *tandemv1.CutMotion, throughPasses int32) contour.Motion {
	or := func(v, standard int64) int64 {
		if v > 0 {
			return v
		}
		return standard
	}
	return contour.Motion{
		SpeedUmS: c.GetSpeedUm(), TravelSpeedUmS: c.GetTravelSpeedUm(), AccelerationUmS2: c.GetAccelerationUm(),
		JunctionDeviationUm: or(c.GetJunctionDeviationUm(), 50),
		ToolDown:            c.GetToolDown().AsDuration(), ToolUp: c.GetToolUp().AsDuration(), OvercutUm: c.GetOvercutUm(),
		ThroughPasses:    throughPasses,
		PerforationCutUm: or(c.GetPerforationCutUm(), 10_000), PerforationBridgeUm: or(c.GetPerforationBridgeUm(), 800),
	}
}

// CheckMotion returns what is wrong with the figures of a cutter, or nil.
func CheckMotion(c *tandemv1.CutMotion) error { return motionOf(c, 1).Check() }

// contourTime returns the time of all pieces that are cut, without set-up, marks and feed; false if the motion is not usable.
func contourTime(g *group, cuts map[*item]*contour.Contour, motion contour.Motion) (time.Duration, bool) {
	var sum time.Duration
	for _, it := range g.items {
		if cuts[it] == nil {
			continue
		}
		times, err := cuts[it].Time(motion)
		if err != nil {
			return 0, false
		}
		t, err := times.Pieces(it.GetQuantity() + it.GetOvers())
		if err != nil {
			return 0, false
		}
		if it.contour == nil { // the outline stands for what the figures say: as much longer as its path is
			t = time.Duration(float64(t) * float64(it.GetContour().GetLengthUm()) / float64(2*(it.GetWidthUm()+it.GetHeightUm())))
		}
		sum += t
	}
	return sum, true
}

// cut returns what the knife does for one piece in a kind: those lines of its contour, or its outline if only figures are
// known.
func (it *item) cut(kind string) (*contour.Contour, error) {
	k, err := contour.ParseKind(kind)
	if err != nil {
		return nil, err
	}
	if it.contour != nil {
		part := *it.contour
		part.Lines = slices.DeleteFunc(slices.Clone(part.Lines), func(l contour.Line) bool { return l.Kind != k })
		return &part, nil
	}
	w, h := float64(it.GetWidthUm())/1000, float64(it.GetHeightUm())/1000
	c, err := contour.Parse(fmt.Appendf(nil,
		`<svg xmlns="http://www.w3.org/2000/svg" width="%gmm" height="%gmm" viewBox="0 0 %g %g"><rect width="%g" height="%g"/></svg>`,
		w, h, w, h, w, h), contour.Options{Default: k})
	return &c, err
}
