package label

import (
	"fmt"
	"strings"
)

// Symbols returns the codes of a page, counted from 0, in the order in which they were drawn.
func (d *Document) Symbols(number int) []Symbol {
	return append([]Symbol(nil), d.pages[number].symbols...)
}

// Said returns what stands on the pages: every text, with the height of its line in millimetres, and every code with the
// width of its modules.
func (d *Document) Said() string {
	var b strings.Builder
	mm := func(n int) float64 { return float64(n) * 25.4 / float64(d.options.DPI) }
	for i, p := range d.pages {
		fmt.Fprintf(&b, "page %d: %.1f x %.1f mm\n", i+1, mm(p.w), mm(p.h))
		for _, l := range p.labels {
			fmt.Fprintf(&b, "  label at %.1f, %.1f mm: %.1f x %.1f mm\n", mm(l.x), mm(l.y), mm(l.w), mm(l.h))
			for _, s := range p.symbols {
				if l.x <= s.X && s.X < l.right() && l.y <= s.Y && s.Y < l.bottom() {
					fmt.Fprintf(&b, "    [%s %s: modules of %.3f mm, %.1f x %.1f mm]\n", s.Kind, s.Payload, mm(s.Module), mm(s.Width), mm(s.Height))
				}
			}
			for _, t := range p.texts {
				if l.x <= t.box.x && t.box.x < l.right() && l.y <= t.box.y && t.box.y < l.bottom() {
					fmt.Fprintf(&b, "    %.1f %s\n", mm(t.box.h), t.said)
				}
			}
		}
	}
	return b.String()
}
