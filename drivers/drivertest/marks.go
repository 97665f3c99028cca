package drivertest

import (
	"slices"

	driverv1 "tandem/proto/tandem/driver/v1"
)

// marked is a grant that tells of two panels and of the boxes between their marks.
func (f *floor) marked(g *driverv1.Grant) *driverv1.Grant {
	if f.panels == nil {
		f.panels = map[string][]string{}
	}
	f.panels[g.GetRun()] = []string{"P0015", "P0023"}
	g.PanelCodes = f.panels[g.GetRun()]
	for _, code := range g.GetPanelCodes() {
		g.Panels = append(g.Panels, &driverv1.PanelBox{PanelCode: code, WidthUm: 500_000, LengthUm: 300_000})
	}
	return g
}

// readsItsOwn says whether all readings of a run are of panels whose marks it was told of, and can be readings at all.
func (f *floor) readsItsOwn(r *driverv1.RunStatus) bool {
	return !slices.ContainsFunc(r.GetMarkReadings(), func(m *driverv1.MarkReading) bool {
		return !slices.Contains(f.panels[r.GetRun()], m.GetPanelCode()) || len(m.GetMarks()) < 2 || len(m.GetMarks()) > 4
	})
}

// testMarks: a driver that is told of panels may report where it found their marks, and of nothing else.
func testMarks(f *floor) {
	defer f.start()()
	f.take(f.daemon.Grant(f.marked(started("r1", 1))))
	f.finish("r1", 1)
	f.take(f.daemon.Settle("r1", 1))
	f.idle()
	f.take(f.daemon.Grant(started("r2", 2))) // of panels whose marks nobody knows
	f.finish("r2", 2)
	f.check()
}
