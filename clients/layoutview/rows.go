package layoutview

import (
	"cmp"
	"slices"

	tandemv1 "tandem/proto/tandem/v1"
)

// Geometry of the rows into which a web is broken.
const (
	webLeft  = 70 // room for the width to the left of the web
	rowWidth = pageWidth - webLeft - margin
	laneTop  = 16 // above the web: names of the panels
	laneEnd  = 26 // below it: their lengths, and room before the next row

	tallest = 460 // of a web across
	shallow = 16  // where a web is drawn no smaller than this
	closest = 3.0 // units for a millimetre at most
)

// row is a stretch of the web, in micrometres from its beginning. A row that ends within a panel is torn.
type row struct {
	from, to   int64
	tornAtFrom bool
	tornAtTo   bool
}

// plan is how a web lies on the page.
type plan struct {
	scale float64 // units for a micrometre
	rows  []row
	left  int64 // micrometres at the end of the web that are not drawn
}

func (p plan) webHeight(l *tandemv1.Layout) float64 { return float64(l.GetWebWidthUm()) * p.scale }

// planRows finds the largest scale at which the web fits into the given height of the page, which must be enough for one
// row. A web that fits at none is drawn as far as there is room.
func planRows(l *tandemv1.Layout, height float64) plan {
	across := float64(l.GetWebWidthUm())
	borders := panelBorders(l)
	scale := min(tallest/across, closest/1000)
	for {
		scale = max(scale, shallow/across)
		p := plan{scale: scale}
		room := int(height / (p.webHeight(l) + laneTop + laneEnd))
		p.rows = breakRows(l.GetLengthUm(), max(1, int64(rowWidth/scale)), borders, room+1)
		if len(p.rows) <= room {
			return p
		}
		if scale <= shallow/across {
			p.rows = p.rows[:room]
			p.left = l.GetLengthUm() - p.rows[len(p.rows)-1].to
			return p
		}
		scale *= 0.94
	}
}

// panelBorders returns where a row may end without tearing a panel: between panels, or between sheets.
func panelBorders(l *tandemv1.Layout) []int64 {
	panels := slices.Clone(l.GetPanels())
	slices.SortStableFunc(panels, func(a, b *tandemv1.PanelLayout) int { return cmp.Compare(a.GetStartUm(), b.GetStartUm()) })
	var borders []int64
	end := int64(0)
	for i, p := range panels {
		if sheet := l.GetSheetLengthUm(); sheet > 0 {
			borders = append(borders, p.GetStartUm()/sheet*sheet)
		} else if i > 0 && end <= p.GetStartUm() {
			borders = append(borders, (end+p.GetStartUm())/2)
		}
		end = max(end, p.GetStartUm()+p.GetLengthUm())
	}
	return append(borders, l.GetLengthUm())
}

// breakRows breaks a web into rows of at most a given length, at a border if there is one in the further half of the
// row. It stops after the given number of rows.
func breakRows(length, most int64, borders []int64, atMost int) []row {
	var rows []row
	for from, torn := int64(0), false; from < length && len(rows) < atMost; {
		r := row{from: from, to: min(from+most, length), tornAtFrom: torn}
		if r.to < length {
			// The last border that the row reaches.
			i, _ := slices.BinarySearch(borders, r.to+1)
			if i > 0 && borders[i-1] > from+most/2 {
				r.to = borders[i-1]
			} else {
				r.tornAtTo = true
			}
		}
		rows = append(rows, r)
		from, torn = r.to, r.tornAtTo
	}
	return rows
}
