package label

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// Tag is a label with the code of something that stays: a device, a slot of a rack, a badge, a command card, a roll.
type Tag struct {
	Kind     string // in a word
	Code     string
	Title    string
	Lines    []string
	Cautions []Caution
}

// OfCodes makes the tags of the floor's codes, in their order. Devices that are known get their cautions.
func OfCodes(codes []*tandemv1.FloorCode, devices []*tandemv1.Device) []Tag {
	cautions := map[string][]Caution{}
	for _, d := range devices {
		for _, a := range d.GetAbilities() {
			for _, ink := range append([]string{""}, a.GetInks()...) {
				for _, c := range cautionsOf(a.GetOperation(), ink) {
					if !slices.Contains(cautions[d.GetId()], c) {
						cautions[d.GetId()] = append(cautions[d.GetId()], c)
					}
				}
			}
		}
	}
	var tags []Tag
	for _, c := range codes {
		t := Tag{Kind: c.GetKind(), Code: c.GetCode(), Title: orElse(c.GetDisplayName(), c.GetId())}
		switch c.GetKind() {
		case "command":
			t.Title, t.Lines = strings.ToUpper(c.GetId()), []string{c.GetDisplayName()}
			if c.GetId() == "start" {
				t.Cautions = []Caution{standsBy}
			}
		case "slot":
			rack, slot, _ := strings.Cut(c.GetId(), "/")
			t.Title, t.Lines = slot, []string{"of " + rack}
			tags = append(tags, t)
			continue
		case "device":
			t.Cautions = cautions[c.GetId()]
		}
		if t.Title != c.GetId() && c.GetKind() != "command" {
			t.Lines = append(t.Lines, c.GetId())
		}
		tags = append(tags, t)
	}
	return tags
}

// OfLots makes the tags of rolls and stacks, with the length that each had when it was received.
func OfLots(lots []*tandemv1.Lot, zone *time.Location) []Tag {
	var tags []Tag
	for _, l := range lots {
		t := Tag{Kind: "roll", Code: l.GetCode(), Title: l.GetMedia(), Cautions: []Caution{heavy}}
		received := ""
		if l.GetReceiveTime() != nil {
			received = "received " + l.GetReceiveTime().AsTime().In(zone).Format("2006-01-02")
		}
		t.Lines = []string{joined("  ", l.GetId(), fmt.Sprintf("%s new", wording.Metres(l.GetLengthUm()))), l.GetNote(), received}
		tags = append(tags, t)
	}
	return tags
}

// draw puts the matrix symbol at the left, the text beside it, the bars below both.
func (t *Tag) draw(c canvas) error {
	f := c.doc.fonts
	a := c.area
	scale := min(max(min(c.stock.LabelWidth/80, orWidth(c.stock)/45), 0.75), 1.3)
	g, module, err := c.barsFor(a.w, t.Code)
	if err != nil {
		return err
	}
	tall := max(c.tall(), min(a.h/3, c.mm(18)))
	above := a.h
	if c.stock.Endless() {
		tall, above = c.tall(), c.mm(40)
	} else if module > 0 {
		above -= tall + c.mm(1)
	}
	side, err := c.matrixIn(a.x, a.y, min(a.w*2/5, above, c.mm(26*scale)), t.Code)
	if err != nil {
		return err
	}
	text := column{canvas: c, x: a.x + side + c.mm(1), y: a.y + c.mm(0.5), w: a.w - side - c.mm(1), end: a.y + above}
	cautions := column{canvas: c, x: text.x, y: a.y, w: text.w, end: text.end}
	draw := func(c *column) error {
		for _, caution := range t.Cautions {
			c.lines(f.plain, max(2.7*scale, 2.4), 2, caution.Short)
		}
		return nil
	}
	h, err := cautions.heightOf(draw)
	if err != nil {
		return err
	}
	text.end -= h
	// A card is read from afar by its command, a slot by its name, all else by its code.
	code, title := 8.5*scale, 5*scale
	if t.Kind == "command" || t.Kind == "slot" {
		code, title = 6*scale, 8*scale
	}
	big := rect{text.x, text.y, text.w, c.mm(code)}
	c.letters(f.code, big, t.Code)
	text.y = big.bottom()
	text.line(f.plain, max(2.9*scale, 2.4), t.Kind)
	text.lines(f.bold, title, 2, t.Title)
	for _, line := range t.Lines {
		text.lines(f.plain, max(3.4*scale, 2.6), 2, line)
	}
	cautions.y = min(text.y+c.mm(1), a.y+above-h)
	if err := draw(&cautions); err != nil {
		return err
	}
	end := max(a.y+side, cautions.y)
	y := min(end+c.mm(3), a.bottom()-tall)
	if module > 0 {
		wide := (len(g[0]) + 2*quietBars) * module
		c.bars(a.x+(a.w-wide)/2, y, tall, module, g, t.Code)
		end = y + tall
	}
	if c.stock.Endless() {
		c.endAt(end + a.y)
	}
	return nil
}

// orWidth is the height of a label, or its width where it has none.
func orWidth(s Stock) float64 {
	if s.Endless() {
		return s.LabelWidth
	}
	return s.LabelHeight
}
