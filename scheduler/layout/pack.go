package layout

import (
	"cmp"
	"fmt"
	"slices"

	"tandem/scheduler/badfield"
)

// Pack lays several different pieces on the same media (a gang run), exactly as many of each as are asked for unless full
// rows are the best answer. Panels are limited as in [Repeat]. Up to MaxSearched pieces, a search with the given options
// looks for a layout that uses less media than rows do; more are laid in rows. One kind of piece never uses more
// than Repeat. The errors are of type [*Error].
func Pack(media Media, rules Rules, pieces []Piece, opt Options) (Layout, error) {
	f, err := newFrame(media, rules)
	if err != nil {
		return Layout{}, err
	}
	total, err := f.checkAll(pieces)
	if err != nil {
		return Layout{}, err
	}
	b, err := opt.budget(total * min(total, mostEntries))
	if err != nil {
		return Layout{}, err
	}
	inRows, rowsErr := f.inRows(pieces)
	if total > MaxSearched {
		return inRows, rowsErr
	}
	// Either may fit on a roll that is too short for the other.
	searched, searchErr := f.layout(f.search(b, pieces), pieces)
	if searchErr != nil || rowsErr == nil && inRows.UsedUm <= searched.UsedUm {
		return inRows, rowsErr
	}
	return searched, nil
}

func (f *frame) inRows(pieces []Piece) (Layout, error) {
	if len(pieces) == 1 {
		return f.repeat(pieces[0])
	}
	return f.gangRows(pieces)
}

func (f *frame) checkAll(pieces []Piece) (total int64, err error) {
	f.what = "pieces"
	if len(pieces) == 0 || len(pieces) > MaxKinds {
		return 0, badfield.New("pieces", "there are %d kinds: must be 1 to %d", len(pieces), MaxKinds)
	}
	first := make(map[string]int, len(pieces)) // where an id was first seen
	for i, p := range pieces {
		if other, taken := first[p.ID]; taken {
			return 0, badfield.New(fmt.Sprintf("pieces[%d].id", i), "is that of pieces[%d] too: give every kind an id of its own", other)
		}
		first[p.ID] = i
		if err := f.check(fmt.Sprintf("pieces[%d]", i), p); err != nil {
			return 0, err
		}
		total += p.wanted()
	}
	if total > MaxPieces {
		return 0, badfield.New("pieces", "%d pieces with overs are more than %d: split the run", total, MaxPieces)
	}
	return total, nil
}

// gangRows lays each kind in rows of its own, the way in which those are shortest together, high rows first, and begins
// a new panel where the next row does not fit.
func (f *frame) gangRows(pieces []Piece) (Layout, error) {
	var blocks []Block
	for i := range pieces {
		blocks = append(blocks, f.ownRows(i, &pieces[i])...)
	}
	slices.SortStableFunc(blocks, func(a, b Block) int { return cmp.Compare(b.HeightUm, a.HeightUm) })
	g := f.rules.GutterUm
	var panels []Panel
	for _, b := range blocks {
		for b.Rows > 0 {
			if len(panels) == 0 || f.roomFor(&panels[len(panels)-1], b.HeightUm) == 0 {
				panels = append(panels, Panel{ContentUm: -g})
			}
			panel := &panels[len(panels)-1]
			part := b
			part.Rows = int(min(int64(b.Rows), f.roomFor(panel, b.HeightUm)))
			part.YUm = panel.ContentUm + g
			if panel.Copies == 0 { // a new panel: as many of the same as the block fills
				panel.Copies = b.Rows / part.Rows
			}
			panel.ContentUm += int64(part.Rows) * (b.HeightUm + g)
			panel.Blocks = append(panel.Blocks, part)
			b.Rows -= part.Rows * panel.Copies
		}
	}
	return f.layout(panels, pieces)
}

// roomFor returns how many more rows of a height a panel can take. Full panels that are copies of one another take none.
func (f *frame) roomFor(p *Panel, height int64) int64 {
	if p.Copies > 1 {
		return 0
	}
	return (f.content - p.ContentUm) / (height + f.rules.GutterUm)
}

// ownRows returns the full rows of a kind and, if it is not full, the last one.
func (f *frame) ownRows(piece int, p *Piece) []Block {
	var best shape
	var turned bool
	var least int64
	for i, s := range p.shapes() {
		if !f.fits(s) {
			continue
		}
		length := ceilDiv(p.wanted(), f.across(s)) * (s.h + f.rules.GutterUm)
		if least == 0 || length < least {
			least, best, turned = length, s, i == 1
		}
	}
	across := f.across(best)
	block := Block{
		Piece: piece, XUm: f.rules.EdgeUm, WidthUm: best.w, HeightUm: best.h,
		Across: int(across), Rows: int(p.wanted() / across), Rotated: turned,
	}
	var out []Block
	if block.Rows > 0 {
		out = append(out, block)
	}
	if rest := p.wanted() % across; rest > 0 {
		block.Across, block.Rows = int(rest), 1
		out = append(out, block)
	}
	return out
}
