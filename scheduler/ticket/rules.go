package ticket

import (
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/contour"
	"tandem/scheduler/layout"
	"tandem/scheduler/physics"
)

// Operations that the rules know; all others are hand work of the shop's own.
const (
	opPrint    = "print"
	opDry      = "dry"
	opLaminate = "laminate"
	opCut      = "cut"
	opPack     = "pack"
)

// rules are the floor file's, the standards filled in.
type rules struct {
	layout   layout.Rules
	fillRows bool
	drying   []*tandemv1.DryingRule
	storage  physics.Storage
	climate  physics.Climate
	names    map[string]contour.Kind // of lines in cut files
}

// rulesOf returns the rules of a floor file. The standards are common practice, no source.
func rulesOf(file *tandemv1.FloorFile) rules {
	const mm = 1000
	l := file.GetRules().GetLayout()
	or := func(v, standard int64) int64 {
		if v > 0 {
			return v
		}
		return standard
	}
	r := rules{
		layout: layout.Rules{
			EdgeUm: or(l.GetEdgeUm(), 15*mm), GutterUm: or(l.GetGutterUm(), 6*mm),
			MarkBandUm: or(l.GetMarkBandUm(), 15*mm), MarkClearanceUm: or(l.GetMarkClearanceUm(), 10*mm),
			MaxMarkDistanceUm: or(l.GetMaxMarkDistanceUm(), 1200*mm),
			LeadUm:            or(l.GetLeadUm(), 100*mm), TailUm: or(l.GetTailUm(), 100*mm), PanelGapUm: or(l.GetPanelGapUm(), 20*mm),
		},
		fillRows: l.GetFillRows(),
		drying:   file.GetRules().GetDrying(),
		storage:  physics.Storage(file.GetRules().GetStorage()),
		climate:  physics.Climate(file.GetRules().GetClimate()),
	}
	if names := file.GetRules().GetCutNames(); len(names) > 0 {
		r.names = make(map[string]contour.Kind, len(names))
		for name, kind := range names {
			if k, err := contour.ParseKind(kind); err == nil { // the floor file was checked
				r.names[name] = k
			}
		}
	}
	if r.storage == "" {
		r.storage = physics.LooseRoll
	}
	return r
}

// unmarked returns the layout rules for panels that no cutter has to find: no marks, no limit by them.
func (r rules) unmarked() layout.Rules {
	l := r.layout
	l.MarkBandUm, l.MarkClearanceUm, l.MaxMarkDistanceUm = 0, 0, 0
	return l
}

// dries returns how long ink dries before the next operation, and where that figure comes from.
func (r rules) dries(ink, media string, coverage int32, next string) (time.Duration, string, error) {
	t := physics.DryTable{}
	for _, d := range r.drying {
		if d.GetBefore() != "" && d.GetBefore() != next {
			continue
		}
		t.Shop = append(t.Shop, physics.DryRule{
			Ink: d.GetInk(), Media: d.GetMedia(), Storage: physics.Storage(d.GetStorage()),
			CoverageFrom: float64(d.GetMinCoveragePercent()), BeforeLaminating: d.GetDuration().AsDuration(),
			Source: "rule of the floor file",
		})
	}
	if next == opLaminate { // what the standards are about; a kiss cut needs no dry ink
		t.Default = physics.DefaultDryRules()
	} else {
		t.Default = []physics.DryRule{{}}
	}
	w, err := t.Least(physics.Drying{
		Ink: ink, Media: media, CoveragePercent: float64(coverage), Storage: r.storage, Climate: r.climate,
	})
	return w.BeforeLaminating, w.Rule.Source, err
}
