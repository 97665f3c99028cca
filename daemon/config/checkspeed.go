package config

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
	"tandem/scheduler/badfield"
	"tandem/scheduler/contour"
	"tandem/scheduler/duration"
	"tandem/scheduler/physics"
	"tandem/scheduler/ticket"
)

const opCut = "cut"

// speeds checks what an ability says of modes, motion, marks, warmth, waste and changeovers.
func (c *check) speeds(field string, a *tandemv1.Ability) {
	c.printModes(field, a)
	if m := a.GetCutMotion(); m != nil {
		at := field + ".cut_motion"
		if a.GetOperation() != opCut {
			c.add(at, "is for cut only; remove it")
		}
		c.duration(at+".tool_down", m.GetToolDown())
		c.duration(at+".tool_up", m.GetToolUp())
		c.figures(at, ticket.CheckMotion(m))
	}
	if n := a.GetMarksPerPanel(); n < 0 || n > 1000 {
		c.add(field+".marks_per_panel", "is %d; give 0 to 1000 marks", n)
	}
	c.duration(field+".mark_time", a.GetMarkTime())
	c.duration(field+".feed_out", a.GetFeedOut())
	c.duration(field+".separation_cut", a.GetSeparationCut())
	c.duration(field+".warm_up", a.GetWarmUp())
	c.duration(field+".cools_after", a.GetCoolsAfter())
	if a.GetWarmUp().AsDuration() > 0 && a.GetCoolsAfter().AsDuration() == 0 {
		c.add(field+".cools_after", "is missing; say after how long without work it has cooled down, such as 30m")
	}
	c.duration(field+".blade_changeover", a.GetBladeChangeover())
	c.length(field+".web_up_um", a.GetWebUpUm(), 100)
	c.length(field+".run_waste_um", a.GetRunWasteUm(), 100)
	c.length(field+".blade_life_um", a.GetBladeLifeUm(), 1_000_000)
	c.changeovers(field, a)
}

func (c *check) printModes(field string, a *tandemv1.Ability) {
	c.count(field+".print_modes", len(a.GetPrintModes()), mostNames)
	seen := map[string]bool{}
	for i, m := range a.GetPrintModes() {
		at := fmt.Sprintf("%s.print_modes[%d]", field, i)
		if a.GetOperation() != opPrint {
			c.add(at, "is for print only; remove it")
			return
		}
		c.id(at+".mode", m.GetMode())
		if seen[m.GetMode()] {
			c.add(at+".mode", "%s is named twice; keep one", yamlfile.Quote(m.GetMode()))
		}
		seen[m.GetMode()] = true
		if len(a.GetModes()) > 0 && !slices.Contains(a.GetModes(), m.GetMode()) {
			c.add(at+".mode", "%s is not among the ability's modes; add it there", yamlfile.Quote(m.GetMode()))
		}
		rate := m.GetSquareMetresPerHour()
		switch {
		case m.GetCarriage() == nil && rate == 0:
			c.add(at, "has no speed; give square_metres_per_hour as measured, or carriage")
			continue
		case m.GetCarriage() != nil && rate != 0:
			c.add(at+".square_metres_per_hour", "is given together with carriage; keep one")
		case math.IsNaN(rate) || rate < 0 || rate > 10_000:
			c.add(at+".square_metres_per_hour", "is %v; give an area from 0 to 10000", rate)
			continue
		}
		c.duration(at+".carriage.advance_time", m.GetCarriage().GetAdvanceTime())
		_, err := duration.PrintPace(m, a.GetMaxWidthUm()).Time(1_000_000, min(max(a.GetMaxWidthUm(), 1), 1_000_000))
		c.figures(at, err)
	}
	for i, mode := range a.GetModes() {
		if len(a.GetPrintModes()) > 0 && !seen[mode] {
			c.add(fmt.Sprintf("%s.modes[%d]", field, i), "%s has no entry in print_modes; add its speed", yamlfile.Quote(mode))
		}
	}
}

func (c *check) changeovers(field string, a *tandemv1.Ability) {
	c.count(field+".changeovers", len(a.GetChangeovers()), mostNames)
	for i, o := range a.GetChangeovers() {
		at := fmt.Sprintf("%s.changeovers[%d]", field, i)
		if k := o.GetKind(); k != "media" && k != "film" && k != "mode" && k != "blade" {
			c.add(at+".kind", "is %s; say media, film, mode or blade", yamlfile.Quote(k))
			return
		}
		c.duration(at+".duration", o.GetDuration())
		for _, end := range []struct{ name, id string }{{"from", o.GetFrom()}, {"to", o.GetTo()}} {
			switch {
			case end.id == "" || end.id == physics.Any || end.id == physics.None:
			case o.GetKind() == "media" || o.GetKind() == "film":
				c.supply(at+"."+end.name, end.id)
			default:
				c.id(at+"."+end.name, end.id)
			}
		}
	}
	if len(c.problems) == 0 {
		c.figures(field, duration.CheckChangeovers(a))
	}
}

// figures adds what a model says of its figures, at the field it names below the given one.
func (c *check) figures(field string, err error) {
	var bad *badfield.Error
	switch {
	case err == nil:
	case errors.As(err, &bad):
		c.add(field+"."+written(bad.Field), "%s", bad.Message)
	default:
		c.add(field, "%v", err)
	}
}

// written returns the name that a field of a model has in the floor file.
func written(field string) string {
	field = strings.TrimPrefix(field, "motion.")
	return strings.TrimSuffix(strings.TrimSuffix(field, "_s2"), "_s")
}

// rules checks how jobs are made from items.
func (c *check) rules(r *tandemv1.Rules) {
	l := r.GetLayout()
	for _, f := range []struct {
		name string
		um   int64
	}{
		{"edge_um", l.GetEdgeUm()},
		{"gutter_um", l.GetGutterUm()},
		{"mark_band_um", l.GetMarkBandUm()},
		{"mark_clearance_um", l.GetMarkClearanceUm()},
		{"lead_um", l.GetLeadUm()},
		{"tail_um", l.GetTailUm()},
		{"panel_gap_um", l.GetPanelGapUm()},
	} {
		c.length("rules.layout."+f.name, f.um, 10)
	}
	c.length("rules.layout.max_mark_distance_um", l.GetMaxMarkDistanceUm(), 100)
	storages := []string{"", string(physics.TightRoll), string(physics.LooseRoll), string(physics.Hung)}
	if !slices.Contains(storages, r.GetStorage()) {
		c.add("rules.storage", "is %s; say %s, %s or %s", yamlfile.Quote(r.GetStorage()), storages[1], storages[2], storages[3])
	}
	if k := physics.Climate(r.GetClimate()); k != physics.RoomClimate && k != physics.HumidCool && k != physics.WarmFans {
		c.add("rules.climate", "is %s; say %s, %s or leave it out", yamlfile.Quote(r.GetClimate()), physics.HumidCool, physics.WarmFans)
	}
	c.count("rules.cut_names", len(r.GetCutNames()), mostNames)
	for _, name := range slices.Sorted(maps.Keys(r.GetCutNames())) {
		c.text("rules.cut_names", name)
		if _, err := contour.ParseKind(r.GetCutNames()[name]); err != nil {
			c.add(fmt.Sprintf("rules.cut_names[%s]", yamlfile.Quote(name)), "is %s; say kiss, perforated, through or skip", yamlfile.Quote(r.GetCutNames()[name]))
		}
	}
	c.count("rules.drying", len(r.GetDrying()), mostNames)
	for i, d := range r.GetDrying() {
		at := fmt.Sprintf("rules.drying[%d]", i)
		c.optionalID(at+".ink", d.GetInk())
		if d.GetMedia() != "" {
			c.supply(at+".media", d.GetMedia())
		}
		c.optionalID(at+".before", d.GetBefore())
		if p := d.GetMinCoveragePercent(); p < 0 || p > 400 {
			c.add(at+".min_coverage_percent", "is %d; give 0 to 400", p)
		}
		if !slices.Contains(storages, d.GetStorage()) {
			c.add(at+".storage", "is %s; say %s, %s, %s or leave it out", yamlfile.Quote(d.GetStorage()), storages[1], storages[2], storages[3])
		}
		c.duration(at+".duration", d.GetDuration())
	}
}
