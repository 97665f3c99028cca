package label

import (
	"fmt"
	"strings"
)

// Traveler is the label that goes with a panel through the shop.
type Traveler struct {
	Code        string // of the panel
	Panel       string // its id
	Number, Of  int    // which panel of its job it is
	Pieces      int
	Job         string // id
	JobCode     string
	JobName     string
	Customer    string
	Reference   string   // the customer's
	Due         string   // as it is shown
	Media, Film []string // as the floor file names them
	Contents    []string // what lies on it, if that is told apart
	RemakeOf    string   // the panel whose spoiled pieces it replaces
	Members     []string // the jobs of a gang run
	Steps       []Stop   // the route
	CutFiles    []string // hashes, short
	Cautions    []Caution
	AsOf        string // when this was so
}

// Stop is a step of the route.
type Stop struct {
	Name, Where, Note string
	Done              bool
}

// highFrom is the height from which a label is written from top to bottom, in millimetres.
const highFrom = 90

func (t *Traveler) draw(c canvas) error {
	if c.stock.Endless() || c.stock.LabelHeight >= highFrom {
		return t.high(c)
	}
	return t.wide(c)
}

func (t *Traveler) panelLine() string { return fmt.Sprintf("panel %d of %d", t.Number, t.Of) }

func (t *Traveler) piecesLine() string {
	if t.Pieces == 1 {
		return "1 piece"
	}
	return fmt.Sprintf("%d pieces", t.Pieces)
}

func (t *Traveler) title() string { return orElse(t.JobName, t.Job) }

func (t *Traveler) jobLine() string {
	return joined("  ", t.Job, t.JobCode)
}

func (t *Traveler) customerLine() string {
	ref := ""
	if t.Reference != "" {
		ref = "ref. " + t.Reference
	}
	return joined("  ", t.Customer, ref)
}

func (t *Traveler) mediaLine() string {
	media, film := "", ""
	if len(t.Media) > 0 {
		media = "media: " + strings.Join(t.Media, ", ")
	}
	if len(t.Film) > 0 {
		film = "film: " + strings.Join(t.Film, ", ")
	}
	return joined("  ", media, film)
}

func (t *Traveler) cutLine() string {
	if len(t.CutFiles) == 0 {
		return ""
	}
	line := "cut file " + t.CutFiles[0]
	if n := len(t.CutFiles) - 1; n > 0 {
		line += fmt.Sprintf(" and %d more", n)
	}
	return line
}

func (t *Traveler) specialLine() string {
	switch {
	case t.RemakeOf != "":
		return "REMAKE of panel " + t.RemakeOf
	case len(t.Members) > 0:
		return "GANG RUN of " + strings.Join(t.Members, ", ")
	default:
		return ""
	}
}

// wide draws a label that is not high in two columns: the codes at the left, the text at the right, its cautions last.
func (t *Traveler) wide(c canvas) error {
	f := c.doc.fonts
	a := c.area
	g, module, err := c.barsFor(a.w*52/100, t.Code)
	if err != nil {
		return err
	}
	left := column{canvas: c, x: a.x, y: a.y, w: a.w * 44 / 100, end: a.bottom()}
	if module > 0 {
		left.w = (len(g[0]) + 2*quietBars) * module
		left.end -= c.tall()
		c.bars(a.x, left.end, c.tall(), module, g, t.Code)
	}
	big := rect{left.x + c.mm(1), left.y, left.w - c.mm(2), c.mm(9)}
	c.letters(f.code, big, t.Code)
	side, err := c.matrixIn(left.x, big.bottom(), min(c.mm(26), left.end-big.bottom(), left.w/2), t.Code)
	if err != nil {
		return err
	}
	beside := column{canvas: c, x: left.x + side, y: big.bottom() + c.mm(1.5), w: left.w - side, end: left.end}
	beside.line(f.bold, 4.2, t.panelLine())
	beside.line(f.bold, 4.2, t.piecesLine())
	beside.line(f.plain, 3.2, t.Panel)
	beside.lines(f.bold, 3.2, 2, t.specialLine())

	right := column{canvas: c, x: a.x + left.w + c.mm(1.5), y: a.y, w: a.w - left.w - c.mm(1.5), end: a.bottom()}
	h, err := right.heightOf(t.cautions)
	if err != nil {
		return err
	}
	right.end -= h
	titles := 1
	if a.h > c.mm(47) {
		titles = 2
	}
	right.lines(f.bold, 4.6, titles, t.title())
	right.line(f.plain, 3.1, t.jobLine())
	right.line(f.plain, 3.1, t.customerLine())
	right.line(f.bold, 3.9, t.Due)
	right.line(f.plain, 3.2, t.mediaLine())
	right.line(f.bold, 3.2, t.cutLine())
	t.shortRoute(&right)
	for _, s := range t.Steps {
		if s.Note != "" && !s.Done {
			right.lines(f.plain, 2.8, 3, s.Name+": "+s.Note)
		}
	}
	last := column{canvas: c, x: right.x, y: a.bottom() - h, w: right.w, end: a.bottom()}
	return t.cautions(&last)
}

// cautions writes them in a few words each.
func (t *Traveler) cautions(c *column) error {
	if len(t.Cautions) == 0 {
		return nil
	}
	c.rule()
	c.line(c.doc.fonts.bold, 2.8, "CAUTION")
	for _, caution := range t.Cautions {
		c.line(c.doc.fonts.plain, 2.6, caution.Short)
	}
	return nil
}

// shortRoute writes the route in as many lines as there is room for: a line for each step, or all in one text, or only what
// is done and not where.
func (t *Traveler) shortRoute(c *column) {
	const high = 3.0
	f := c.doc.fonts
	var all []string
	for _, s := range t.Steps {
		all = append(all, s.short())
	}
	if len(all)*c.mm(high) > c.room() {
		whole := false
		// Nothing that is tried here can fail.
		_, _ = c.heightOf(func(c *column) error {
			whole = c.lines(f.plain, high, len(all), strings.Join(all, " → "))
			return nil
		})
		if !whole {
			for i := range all {
				all[i] = t.Steps[i].Name
			}
		}
		c.lines(f.plain, high, len(all), strings.Join(all, " → "))
		return
	}
	for i, s := range all {
		c.line(f.plain, high, fmt.Sprintf("%d %s", i+1, s))
	}
}

func (s *Stop) short() string {
	if s.Done {
		return s.Name + ": done"
	}
	return s.Name + ": " + s.Where
}

// high draws a label that has room for everything, from top to bottom.
func (t *Traveler) high(c canvas) error {
	f := c.doc.fonts
	a := c.area
	foot := column{canvas: c, x: a.x, y: a.y, w: a.w, end: a.bottom()}
	h, err := foot.heightOf(t.foot)
	if err != nil {
		return err
	}
	body := column{canvas: c, x: a.x, y: a.y, w: a.w, end: a.bottom() - h}
	if err := t.head(&body); err != nil {
		return err
	}
	body.gap(1)
	body.lines(f.bold, 5.6, 2, t.title())
	body.line(f.plain, 3.6, t.jobLine())
	body.line(f.plain, 3.6, t.customerLine())
	body.line(f.bold, 3.6, t.specialLine())
	body.rule()
	body.line(f.bold, 5, t.Due)
	body.lines(f.plain, 4, 2, t.mediaLine())
	for i, line := range t.Contents {
		if i == 5 && len(t.Contents) > 6 {
			body.line(f.plain, 3.2, fmt.Sprintf("and %d more", len(t.Contents)-i))
			break
		}
		body.line(f.plain, 3.2, line)
	}
	body.rule()
	t.route(&body)
	if c.stock.Endless() {
		foot.y = body.y + c.mm(1)
	} else {
		foot.y = a.bottom() - h
	}
	if err := t.foot(&foot); err != nil {
		return err
	}
	if c.stock.Endless() {
		c.endAt(foot.y + a.y)
	}
	return nil
}

func (t *Traveler) head(c *column) error {
	f := c.doc.fonts
	side, err := c.matrixIn(c.x, c.y, min(c.mm(27), c.w*2/5), t.Code)
	if err != nil {
		return err
	}
	beside := column{canvas: c.canvas, x: c.x + side + c.mm(1.5), y: c.y + c.mm(1), w: c.w - side - c.mm(1.5), end: c.y + side + c.mm(6)}
	big := rect{beside.x, beside.y, beside.w, min(c.mm(11), beside.w/4)}
	c.letters(f.code, big, t.Code)
	beside.y = big.bottom() + c.mm(0.5)
	high := 5.0
	if c.w < c.mm(80) {
		high = 4.2
	}
	beside.line(f.bold, high, t.panelLine())
	beside.line(f.bold, high, t.piecesLine())
	beside.line(f.plain, 3.4, t.Panel)
	c.y = max(c.y+side, beside.y)
	return nil
}

// route writes a line for each step with a box to tick, and its note below it.
func (t *Traveler) route(c *column) {
	const high, notes = 4.2, 3.1
	f := c.doc.fonts
	tick := c.mm(2.8)
	name := min(c.mm(26), c.w*2/5)
	for i, s := range t.Steps {
		if left := len(t.Steps) - i; left > 1 && c.room() < 2*c.mm(high) || c.room() < c.mm(high) {
			c.line(f.bold, 3, fmt.Sprintf("and %d more: see the job", left))
			return
		}
		y := c.y + c.mm(0.7)
		if s.Done {
			c.boxes = append(c.boxes, rect{c.x, y, tick, tick})
		} else {
			c.frame(rect{c.x, y, tick, tick}, max(1, c.mm(0.25)))
		}
		x := c.x + tick + c.mm(1)
		c.put(f.bold, rect{x, c.y, name - tick - c.mm(1), c.mm(high)}, s.Name)
		where := s.Where
		if s.Done {
			where = "done"
		}
		side := column{canvas: c.canvas, x: c.x + name + c.mm(1), y: c.y + c.mm(0.4), w: c.w - name - c.mm(1), end: c.end}
		side.lines(f.plain, 3.4, 2, where)
		c.y = max(c.y+c.mm(high), side.y)
		note := column{canvas: c.canvas, x: x, y: c.y, w: c.x + c.w - x, end: c.end}
		if !s.Done {
			note.lines(f.plain, notes, 2, s.Note)
		}
		c.y = note.y
	}
}

// foot is the end of a high label: the cut files, the cautions in whole sentences, the bars, and when all this was so.
func (t *Traveler) foot(c *column) error {
	f := c.doc.fonts
	if len(t.CutFiles) > 0 {
		c.rule()
		c.lines(f.bold, 3.6, 2, "cut file "+some(t.CutFiles, 3))
	}
	if len(t.Cautions) > 0 {
		c.gap(0.8)
		top := c.y
		in := column{canvas: c.canvas, x: c.x + c.mm(1.5), y: c.y + c.mm(1), w: c.w - c.mm(3), end: c.end}
		in.line(f.bold, 3.8, "CAUTION")
		for _, caution := range t.Cautions {
			in.lines(f.plain, 3.2, 3, caution.Long)
		}
		c.y = in.y + c.mm(1)
		c.frame(rect{c.x, top, c.w, c.y - top}, c.mm(0.5))
	}
	c.gap(1.5)
	g, module, err := c.barsFor(c.w, t.Code)
	if err != nil {
		return err
	}
	if module > 0 {
		wide := (len(g[0]) + 2*quietBars) * module
		c.bars(c.x+(c.w-wide)/2, c.y, c.tall(), module, g, t.Code)
		c.y += c.tall()
		c.gap(0.8)
	}
	c.line(f.plain, 2.6, t.AsOf)
	return nil
}

// joined puts the texts that are not empty side by side.
func joined(between string, parts ...string) string {
	var kept []string
	for _, p := range parts {
		if p != "" {
			kept = append(kept, p)
		}
	}
	return strings.Join(kept, between)
}
