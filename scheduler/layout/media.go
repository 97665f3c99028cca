package layout

import (
	"slices"

	"tandem/scheduler/badfield"
)

// Bounds of what is laid out. They are far above anything a shop has and keep every area within an int64.
const (
	MaxWidthUm  = 10_000_000      // 10 m: width of media
	MaxSizeUm   = 100_000_000     // 100 m: side of a piece, length of a sheet, limits of a panel
	MaxRuleUm   = 10_000_000      // 10 m: any length in the rules but the limits of a panel
	MaxGutterUm = 1_000_000       // 1 m: gutter
	MaxUsedUm   = 500_000_000_000 // 500 km: media used by one layout, and length of a roll
	MaxPieces   = 1_000_000       // pieces laid by one layout, those that fill a last row not counted
	MaxKinds    = 1_000           // different pieces of one gang run
	MaxSearched = 5_000           // pieces of a gang run up to which Pack searches; more are laid in rows
)

// Media is what is printed on: a roll or sheets of one size.
type Media struct {
	WidthUm  int64
	LengthUm int64 // of one sheet, or what is left on the roll; 0: a roll whose end is not known
	Sheet    bool  // sheets, as many as needed; each carries one panel
}

// Rules are the distances a shop and its machines need. The zero value of each means none, or no limit.
//
// A panel is, in the direction of travel: a band with marks, its content, another band with marks. A roll is used as lead,
// panels with gaps between them, tail. A sheet is lead, one panel, tail.
type Rules struct {
	EdgeUm            int64 // left free along both edges of the media
	GutterUm          int64 // between pieces
	MarkBandUm        int64 // length of the band with marks before and after a panel's content
	MarkClearanceUm   int64 // from a mark to the nearest piece, in the direction of travel
	MaxMarkDistanceUm int64 // longest distance between first and last mark that a cutter can follow
	LeadUm            int64 // media before the first panel
	TailUm            int64 // media after the last panel
	PanelGapUm        int64 // between panels
	MaxPanelUm        int64 // longest panel, bands included; 1 to 2 m is common
}

// Piece is one decal, label or sign, and how many of it are wanted.
type Piece struct {
	ID       string
	WidthUm  int64 // across the web when upright
	HeightUm int64 // along the web when upright
	Quantity int32
	Overs    int32 // wanted on top of the quantity, against spoilage
	Rotate   bool  // may be turned by 90 degrees
}

func (p *Piece) wanted() int64 { return int64(p.Quantity) + int64(p.Overs) }

func (p *Piece) area() int64 { return p.WidthUm * p.HeightUm }

// shapes returns the ways to lay a piece, upright first.
func (p *Piece) shapes() []shape {
	s := []shape{{p.WidthUm, p.HeightUm}}
	if p.Rotate && p.WidthUm != p.HeightUm {
		s = append(s, shape{p.HeightUm, p.WidthUm})
	}
	return s
}

// frame is the room that media and rules leave: the usable width, and the longest content of a panel with the reason.
type frame struct {
	media   Media
	rules   Rules
	usable  int64
	content int64 // endless if nothing limits it
	limit   string
	field   string // what to change to get more content on a panel
	what    string // field to blame if all pieces together are too many
}

func newFrame(media Media, rules Rules) (frame, error) {
	f := frame{media: media, rules: rules, content: endless}
	if err := checkMedia(media); err != nil {
		return f, err
	}
	if err := checkRules(rules); err != nil {
		return f, err
	}
	f.usable = media.WidthUm - 2*rules.EdgeUm
	if f.usable <= 0 {
		return f, badfield.New("rules.edge_um", "two edges of %s leave nothing of media %s wide: make the edges smaller or take wider media",
			mm(rules.EdgeUm), mm(media.WidthUm))
	}
	limits := []struct {
		on           bool
		content      int64
		field, limit string
	}{
		{rules.MaxMarkDistanceUm > 0, rules.MaxMarkDistanceUm - 2*rules.MarkClearanceUm, "rules.max_mark_distance_um", "the longest distance between marks"},
		{rules.MaxPanelUm > 0, rules.MaxPanelUm - 2*rules.MarkBandUm, "rules.max_panel_um", "the longest panel"},
		{media.Sheet, media.LengthUm - rules.LeadUm - rules.TailUm - 2*rules.MarkBandUm, "media.length_um", "the sheet"},
	}
	for _, l := range limits {
		if !l.on || l.content >= f.content {
			continue
		}
		if l.content <= 0 {
			return f, badfield.New(l.field, "marks, lead and tail leave nothing of %s for pieces: make it longer or the others shorter", l.limit)
		}
		f.content, f.field, f.limit = l.content, l.field, l.limit
	}
	return f, nil
}

func checkMedia(m Media) error {
	if m.WidthUm <= 0 || m.WidthUm > MaxWidthUm {
		return badfield.New("media.width_um", "is %d: must be more than 0 and at most %s", m.WidthUm, mm(MaxWidthUm))
	}
	most, least := int64(MaxUsedUm), int64(0)
	if m.Sheet {
		most, least = MaxSizeUm, 1
	}
	if m.LengthUm < least || m.LengthUm > most {
		return badfield.New("media.length_um", "is %d: must be the length of a sheet (at most %s), or what is left on a roll (at most %s; 0 if not known)",
			m.LengthUm, mm(MaxSizeUm), mm(MaxUsedUm))
	}
	return nil
}

func checkRules(r Rules) error {
	for _, v := range []struct {
		field    string
		um, most int64
	}{
		{"edge_um", r.EdgeUm, MaxRuleUm},
		{"gutter_um", r.GutterUm, MaxGutterUm},
		{"mark_band_um", r.MarkBandUm, MaxRuleUm},
		{"mark_clearance_um", r.MarkClearanceUm, MaxRuleUm},
		{"max_mark_distance_um", r.MaxMarkDistanceUm, MaxSizeUm},
		{"lead_um", r.LeadUm, MaxRuleUm},
		{"tail_um", r.TailUm, MaxRuleUm},
		{"panel_gap_um", r.PanelGapUm, MaxRuleUm},
		{"max_panel_um", r.MaxPanelUm, MaxSizeUm},
	} {
		if v.um < 0 || v.um > v.most {
			return badfield.New("rules."+v.field, "is %d: must be 0 to %s", v.um, mm(v.most))
		}
	}
	if r.MarkBandUm > 0 && r.MarkBandUm < r.MarkClearanceUm {
		return badfield.New("rules.mark_band_um", "a band of %s has no room for a mark %s away from the pieces: make the band longer or the clearance shorter",
			mm(r.MarkBandUm), mm(r.MarkClearanceUm))
	}
	return nil
}

// check refuses a piece that is bad in itself or fits in no way.
func (f *frame) check(field string, p Piece) error {
	if p.WidthUm <= 0 || p.WidthUm > MaxSizeUm {
		return badfield.New(field+".width_um", "is %d: must be more than 0 and at most %s", p.WidthUm, mm(MaxSizeUm))
	}
	if p.HeightUm <= 0 || p.HeightUm > MaxSizeUm {
		return badfield.New(field+".height_um", "is %d: must be more than 0 and at most %s", p.HeightUm, mm(MaxSizeUm))
	}
	if p.Quantity <= 0 {
		return badfield.New(field+".quantity", "is %d: must be at least 1", p.Quantity)
	}
	if p.Overs < 0 {
		return badfield.New(field+".overs", "is %d: must not be negative", p.Overs)
	}
	if p.wanted() > MaxPieces {
		return badfield.New(field+".quantity", "%d pieces with overs are more than %d: split the job", p.wanted(), MaxPieces)
	}
	shapes := p.shapes()
	tried := "turning it by 90 degrees is not allowed"
	if p.Rotate {
		tried = "tried upright and turned by 90 degrees"
	}
	if !slices.ContainsFunc(shapes, func(s shape) bool { return s.w <= f.usable }) {
		return badfield.New(field+".width_um", "%s by %s is wider than the usable width of %s (%s): take wider media, smaller edges or a smaller piece",
			mm(p.WidthUm), mm(p.HeightUm), mm(f.usable), tried)
	}
	if !slices.ContainsFunc(shapes, f.fits) {
		return badfield.New(field+".height_um", "%s by %s is longer than the %s that %s (%s) leaves for pieces, on %s of usable width (%s): a piece is never cut by the end of a panel",
			mm(p.WidthUm), mm(p.HeightUm), mm(f.content), f.limit, f.field, mm(f.usable), tried)
	}
	return nil
}

func (f *frame) fits(s shape) bool { return s.w <= f.usable && s.h <= f.content }
