package physics

import "time"

// Cutter is a contour cutter that finds a panel by its marks. Its carriage moves fast and without warning: keep hands and
// sleeves away while it feeds, reads marks and cuts, and change blades with the machine switched off.
type Cutter struct {
	SetUp      time.Duration // once for all panels of a run
	PerMark    time.Duration // moving to a mark and sensing it: 3 to 8 s (common practice, no source)
	FeedUmS    int64         // speed of feeding a panel out, micrometres per second; 0: nothing is fed, as on a flat bed
	ToolMove   time.Duration // the tool down, or up: 30 to 100 ms (common practice, no source)
	Separation time.Duration // cutting a panel off the web
	Measured   CutLine       // for pieces whose contour time is not known
}

// CutLine is the fallback for the contours of a panel, measured with a stopwatch: fixed + passes * (per piece * pieces +
// per metre * path). It holds the tool's moves.
type CutLine struct {
	Fixed    time.Duration
	PerPiece time.Duration
	PerMetre time.Duration // of knife path
}

// CutPanel is the work on one panel. A kiss cut takes one pass, a cut through soft media 1 to 3; kiss cuts come first and
// the cut through last, or the piece moves (common practice, no source).
type CutPanel struct {
	LengthUm int64 // fed out
	Marks    int   // read on this panel, intermediate ones included
	Pieces   int
	Passes   int
	// PieceTime is one pass over one piece: travel, cut and overcut, without the tool's moves. 0: not known, the cutter's
	// measured line is used.
	PieceTime time.Duration
	// Strokes is how often the tool goes down and up in one pass over one piece: its number of contours, or PerforationStrokes.
	Strokes  int64
	PathUm   int64 // knife path of the whole panel in one pass; only the measured line asks for it
	Separate bool  // cut off the web at the end
}

// Time returns the time of this many panels that are alike.
func (c Cutter) Time(p CutPanel, panels int) (time.Duration, error) {
	one, err := c.PanelTime(p)
	if err != nil {
		return 0, err
	}
	var t total
	t.count("panels", panels, 0)
	t.duration("set_up", c.SetUp)
	if panels > 0 {
		t.add("set_up", c.SetUp, 1)
		t.add("panels", one, int64(panels))
	}
	return t.result()
}

// PanelTime returns feed + marks + contours * passes + separation of one panel, without set-up.
func (c Cutter) PanelTime(p CutPanel) (time.Duration, error) {
	var t total
	c.check(p, &t.checks)
	if c.FeedUmS > 0 {
		t.seconds("feed_um_s", float64(p.LengthUm)/float64(c.FeedUmS))
	}
	t.add("per_mark", c.PerMark, int64(p.Marks))
	passes := int64(p.Passes)
	if p.PieceTime > 0 {
		var piece total
		piece.add("piece_time", p.PieceTime, passes)
		piece.add("tool_move", c.ToolMove, 2*p.Strokes*passes)
		if t.err == nil {
			t.err = piece.err
		}
		t.add("pieces", piece.sum, int64(p.Pieces))
	} else if p.Pieces > 0 {
		t.add("measured.fixed", c.Measured.Fixed, 1)
		t.add("measured.per_piece", c.Measured.PerPiece, int64(p.Pieces)*passes)
		t.seconds("measured.per_metre", float64(p.PathUm)/1e6*c.Measured.PerMetre.Seconds()*float64(passes))
	}
	if p.Separate {
		t.add("separation", c.Separation, 1)
	}
	return t.result()
}

func (c Cutter) check(p CutPanel, k *checks) {
	k.duration("per_mark", c.PerMark)
	k.length("feed_um_s", c.FeedUmS)
	k.duration("tool_move", c.ToolMove)
	k.duration("separation", c.Separation)
	k.duration("measured.fixed", c.Measured.Fixed)
	k.duration("measured.per_piece", c.Measured.PerPiece)
	k.duration("measured.per_metre", c.Measured.PerMetre)
	k.length("length_um", p.LengthUm)
	k.count("marks", p.Marks, 0)
	k.count("pieces", p.Pieces, 0)
	if p.Passes < 1 || p.Passes > mostPasses {
		k.fail("passes", "is %d: give a number from 1 to %d", p.Passes, mostPasses)
	}
	k.duration("piece_time", p.PieceTime)
	if p.Strokes < 0 || p.Strokes > mostUm {
		k.fail("strokes", "is %d: give a number from 0 to %d", p.Strokes, mostUm)
	}
	k.length("path_um", p.PathUm)
	if k.err == nil && p.Pieces > 0 && p.PieceTime == 0 && c.Measured == (CutLine{}) {
		k.fail("piece_time", "is 0 and the cutter has no measured line: give one of them")
	}
}

// PerforationStrokes returns how often the tool goes down on a path that is cut for cutUm and left for bridgeUm in turn,
// such as 10 mm and 0.5 to 1 mm (common practice, no source).
func PerforationStrokes(pathUm, cutUm, bridgeUm int64) (int64, error) {
	var k checks
	k.length("path_um", pathUm)
	k.positive("cut_um", cutUm)
	k.positive("bridge_um", bridgeUm)
	if k.err != nil {
		return 0, k.err
	}
	period := cutUm + bridgeUm
	return (pathUm + period - 1) / period, nil
}
