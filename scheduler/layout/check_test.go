package layout

import (
	"errors"
	"fmt"
	"testing"
)

// a box is something that lies somewhere.
type box struct{ x, y, w, h int64 }

// overlap returns an error for the first two boxes that share area when each keeps a distance of gutter to its right and
// above. It compares every pair and knows nothing of how the boxes came about.
func overlap(boxes []box, gutter int64) error {
	for i, a := range boxes {
		for j, b := range boxes[:i] {
			if a.x < b.x+b.w+gutter && b.x < a.x+a.w+gutter && a.y < b.y+b.h+gutter && b.y < a.y+a.h+gutter {
				return fmt.Errorf("%d %+v and %d %+v are less than %d apart", j, b, i, a, gutter)
			}
		}
	}
	return nil
}

// checkLayout looks at a layout from outside: every piece inside the edges and its panel, a gutter apart, in the order of
// the web; counts, lengths and areas add up.
func checkLayout(media Media, rules Rules, pieces []Piece, l Layout) error {
	panels := make([][]box, l.NumPanels())
	made := make(map[string]int)
	var printed int64
	last := Placement{Panel: -1}
	byID := make(map[string]Piece)
	for _, p := range pieces {
		byID[p.ID] = p
	}
	for p := range l.Placements() {
		if p.Panel < last.Panel || p.Panel == last.Panel && (p.YUm < last.YUm || p.YUm == last.YUm && p.XUm <= last.XUm) {
			return fmt.Errorf("%+v comes after %+v", p, last)
		}
		last = p
		if p.Index != made[p.Piece] {
			return fmt.Errorf("%+v is number %d of its kind", p, made[p.Piece])
		}
		made[p.Piece]++
		want := byID[p.Piece]
		if p.Rotated {
			want.WidthUm, want.HeightUm = want.HeightUm, want.WidthUm
		}
		if p.WidthUm != want.WidthUm || p.HeightUm != want.HeightUm || p.Rotated && !want.Rotate {
			return fmt.Errorf("%+v is not the piece %+v", p, byID[p.Piece])
		}
		if p.XUm < rules.EdgeUm || p.XUm+p.WidthUm > media.WidthUm-rules.EdgeUm || p.YUm < 0 {
			return fmt.Errorf("%+v is outside the edges", p)
		}
		panels[p.Panel] = append(panels[p.Panel], box{p.XUm, p.YUm, p.WidthUm, p.HeightUm})
		printed += p.WidthUm * p.HeightUm
	}
	for i, boxes := range panels {
		if err := overlap(boxes, rules.GutterUm); err != nil {
			return fmt.Errorf("panel %d: %w", i, err)
		}
	}
	if err := checkLengths(media, rules, l, panels); err != nil {
		return err
	}
	return checkCounts(media, pieces, l, made, printed)
}

func checkLengths(media Media, rules Rules, l Layout, panels [][]box) error {
	number := 0
	used := rules.LeadUm + rules.TailUm
	for _, p := range l.Panels {
		for range p.Copies {
			var top int64
			for _, b := range panels[number] {
				top = max(top, b.y+b.h)
			}
			number++
			if top != p.ContentUm || p.LengthUm != top+2*rules.MarkBandUm {
				return fmt.Errorf("panel %d: content %d, length %d, want content %d", number, p.ContentUm, p.LengthUm, top)
			}
			if rules.MaxPanelUm > 0 && p.LengthUm > rules.MaxPanelUm {
				return fmt.Errorf("panel %d is %d long", number, p.LengthUm)
			}
			if d := top + 2*rules.MarkClearanceUm; rules.MaxMarkDistanceUm > 0 && d > rules.MaxMarkDistanceUm {
				return fmt.Errorf("panel %d has its marks %d apart", number, d)
			}
			if media.Sheet && rules.LeadUm+p.LengthUm+rules.TailUm > media.LengthUm {
				return fmt.Errorf("panel %d does not fit on a sheet", number)
			}
			used += p.LengthUm
		}
	}
	used += int64(number-1) * rules.PanelGapUm
	if media.Sheet {
		used = int64(number) * media.LengthUm
		if l.Sheets != number {
			return fmt.Errorf("%d sheets for %d panels", l.Sheets, number)
		}
	} else if l.Sheets != 0 {
		return fmt.Errorf("%d sheets on a roll", l.Sheets)
	}
	if l.UsedUm != used {
		return fmt.Errorf("uses %d, want %d", l.UsedUm, used)
	}
	return nil
}

func checkCounts(media Media, pieces []Piece, l Layout, made map[string]int, printed int64) error {
	if len(l.Counts) != len(pieces) {
		return fmt.Errorf("%d counts for %d pieces", len(l.Counts), len(pieces))
	}
	onPanels := make([]int, len(pieces))
	for i, p := range l.Panels {
		for k, n := range l.PanelCounts(i) {
			onPanels[k] += n * p.Copies
		}
	}
	for i, c := range l.Counts {
		p := pieces[i]
		if c.Piece != p.ID || c.Asked != int(p.Quantity)+int(p.Overs) || c.Made < c.Asked || c.Made != made[p.ID] || c.Made != onPanels[i] || c.Surplus() != c.Made-c.Asked {
			return fmt.Errorf("count %+v for %+v, placed %d, on panels %d", c, p, made[p.ID], onPanels[i])
		}
	}
	if l.PrintedUm2 != printed || l.ChargedUm2 != l.UsedUm*media.WidthUm || l.WasteUm2 != l.ChargedUm2-printed {
		return fmt.Errorf("areas: charged %d, printed %d (want %d), waste %d", l.ChargedUm2, l.PrintedUm2, printed, l.WasteUm2)
	}
	if s := l.WasteShare(); s < 0 || s >= 1 {
		return fmt.Errorf("waste share %v", s)
	}
	return nil
}

func checkRefused(t *testing.T, err error) {
	t.Helper()
	if refused, ok := errors.AsType[*Error](err); !ok || refused.Field == "" || refused.Message == "" {
		t.Errorf("not an error with a field and a remedy: %v", err)
	}
}
