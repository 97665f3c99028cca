package ticket

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/layout"
)

const (
	// packings bounds the search for a layout of several designs: a tenth of a second or so, the same answer every time.
	packings = 400
	// mostPlacements is what is listed of a layout for people and pictures.
	mostPlacements = 2000
	mostPanels     = 1000
)

// lay lays the group out, adds its panels and returns the length of web it takes.
func (m *maker) lay(g *group) (usedUm int64, ok bool) {
	media := m.media(g.first.GetMedia())
	rules := m.rules.layout
	if !g.marked {
		rules = m.rules.unmarked()
	}
	on := layout.Media{WidthUm: media.GetWidthUm(), LengthUm: media.GetSheetLengthUm(), Sheet: media.GetSheetLengthUm() > 0}
	pieces := make([]layout.Piece, len(g.items))
	for i, it := range g.items {
		pieces[i] = layout.Piece{
			ID: strconv.Itoa(i), WidthUm: it.GetWidthUm(), HeightUm: it.GetHeightUm(),
			Quantity: it.GetQuantity(), Overs: it.GetOvers(), Rotate: !it.GetKeepUpright(),
		}
	}
	l, err := arrange(on, rules, pieces)
	if err != nil {
		m.layoutError(g, err)
		return 0, false
	}
	if l.NumPanels() > mostPanels {
		m.add(g.first.field("quantity"), "makes %d panels, at most %d are taken: hand in more jobs, or allow longer panels in the floor file's rules", l.NumPanels(), mostPanels)
		return 0, false
	}
	m.spread(g, &l, on, rules)
	return l.UsedUm, true
}

func arrange(on layout.Media, rules layout.Rules, pieces []layout.Piece) (layout.Layout, error) {
	if len(pieces) == 1 {
		return layout.Repeat(on, rules, pieces[0])
	}
	return layout.Pack(on, rules, pieces, layout.Options{Seed: 1, Evaluations: packings})
}

// spread turns a layout into panels, and into what people see of it.
func (m *maker) spread(g *group, l *layout.Layout, on layout.Media, rules layout.Rules) {
	out := &tandemv1.Layout{
		Media: g.first.GetMedia(), WebWidthUm: on.WidthUm, EdgeUm: rules.EdgeUm, LengthUm: l.UsedUm, SheetLengthUm: on.LengthUm,
	}
	asked := map[string]int{}
	for _, c := range l.Counts {
		asked[c.Piece] = c.Asked
		if m.rules.fillRows {
			asked[c.Piece] = c.Made
		} else {
			out.RoomFor += int32(c.Surplus())
		}
	}
	var panels []*tandemv1.Panel
	start := rules.LeadUm
	for i := range l.Panels {
		p := &l.Panels[i]
		for range p.Copies {
			panel := &tandemv1.Panel{Id: fmt.Sprintf("p%d", len(m.job.GetPanels())+len(panels)+1)}
			panel.WidthUm, panel.LengthUm = boxOf(p, rules)
			panels = append(panels, panel)
			out.Panels = append(out.Panels, &tandemv1.PanelLayout{
				Panel: panel.GetId(), StartUm: start, LengthUm: p.LengthUm, MarkBandUm: rules.MarkBandUm,
			})
			start += p.LengthUm + rules.PanelGapUm
			if on.Sheet {
				start += on.LengthUm - p.LengthUm - rules.PanelGapUm
			}
		}
	}
	listed := 0
	var area int64
	for at := range l.Placements() {
		if at.Index >= asked[at.Piece] {
			continue // a place left over in the last row
		}
		it := g.items[index(at.Piece)]
		panel, shown := panels[at.Panel], out.GetPanels()[at.Panel]
		it.panels[panel.GetId()] = true
		put(panel, it.GetId())
		out.Pieces++
		area += at.WidthUm / 1000 * (at.HeightUm / 1000)
		if listed++; listed > mostPlacements {
			shown.More++
			continue
		}
		shown.Placements = append(shown.Placements, &tandemv1.Placement{
			Item: it.GetId(), XUm: at.XUm, YUm: shown.GetMarkBandUm() + at.YUm, WidthUm: at.WidthUm, HeightUm: at.HeightUm, Turned: at.Rotated,
		})
	}
	for i, p := range panels { // a panel whose only row was left over is not made
		if p.GetPieces() > 0 {
			g.panels = append(g.panels, p.GetId())
			m.job.Panels = append(m.job.Panels, p)
		} else {
			out.Panels = out.GetPanels()[:i]
			break
		}
	}
	if web := l.UsedUm / 1000 * (on.WidthUm / 1000); web > 0 {
		out.Waste = 1 - float64(area)/float64(web)
	}
	m.layouts = append(m.layouts, out)
}

// boxOf returns the rectangle between a panel's marks: what lies on it and the clearance around.
func boxOf(p *layout.Panel, rules layout.Rules) (width, length int64) {
	var left, right int64
	for i, b := range p.Blocks {
		end := b.XUm + int64(b.Across)*b.WidthUm + int64(b.Across-1)*rules.GutterUm
		if i == 0 {
			left, right = b.XUm, end
		}
		left, right = min(left, b.XUm), max(right, end)
	}
	return right - left + 2*rules.MarkClearanceUm, p.ContentUm + 2*rules.MarkClearanceUm
}

// put adds one piece of an item to the end of a panel.
func put(p *tandemv1.Panel, item string) {
	p.Pieces++
	if n := len(p.GetContents()); n > 0 && p.GetContents()[n-1].GetItem() == item {
		p.Contents[n-1].Pieces++
		return
	}
	p.Contents = append(p.Contents, &tandemv1.Content{Item: item, Pieces: 1})
}

// index returns the item's place in its group, which lay wrote as the piece's id.
func index(piece string) int {
	i, _ := strconv.Atoi(piece)
	return i
}

// layoutError says at the ticket's own field what the layout says of a piece or a rule.
func (m *maker) layoutError(g *group, err error) {
	var bad *layout.Error
	if !errors.As(err, &bad) {
		m.add(g.first.field("width_um"), "%v", err)
		return
	}
	it, field := g.first, bad.Field
	var i int
	switch rest, ok := strings.CutPrefix(field, "pieces["); {
	case ok:
		if n, _ := fmt.Sscanf(rest, "%d]", &i); n == 1 && i < len(g.items) {
			it = g.items[i]
		}
		_, field, _ = strings.Cut(rest, "].")
	case strings.HasPrefix(field, "piece."):
		field = strings.TrimPrefix(field, "piece.")
	case field == "pieces":
		field = "quantity"
	default:
		m.add(g.first.field("media"), "%s of the floor file's rules: %s", field, bad.Message)
		return
	}
	m.add(it.field(field), "%s", bad.Message)
}
