package celltext

import "strings"

// Style colours a word. The word alone must say as much: colour never carries a meaning of its own.
type Style int

// The styles.
const (
	Plain  Style = iota
	Strong       // a heading or a name
	Faint        // of less interest
	Good         // done, free
	Busy         // under way
	Warn         // waits for somebody
	Bad          // stopped, late, refused
)

// sgr are the parameters of Select Graphic Rendition, ECMA-48 section 8.3.117.
var sgr = [...]string{Plain: "", Strong: "1", Faint: "2", Good: "32", Busy: "36", Warn: "33", Bad: "1;31"}

// Span is a piece of a line. Its text may be foreign: it is made clean when it is written.
type Span struct {
	Style Style
	Text  string
}

// Line is one line of text.
type Line []Span

// Cells returns the width of the line once it is clean.
func (l Line) Cells() int {
	n := 0
	for _, s := range l {
		n += Width(Clean(s.Text))
	}
	return n
}

// Write puts the line, clean, without spaces at its end, and its line feed. It is cut to the given number of cells;
// less than 1 means no limit.
func (l Line) Write(b *strings.Builder, cells int, colour bool) {
	left, over := cells, cells > 0 && l.Cells() > cells
	pieces := make([]string, 0, len(l))
	for i, s := range l {
		text := Clean(s.Text)
		if cells > 0 {
			if over && i < len(l)-1 && Width(text) == left {
				// The cut falls between two pieces: make it visible in this one.
				text += More
			}
			text = Clip(text, left)
			left -= Width(text)
		}
		pieces = append(pieces, text)
		if cells > 0 && left <= 0 {
			break
		}
	}
	for i := len(pieces) - 1; i >= 0; i-- {
		pieces[i] = strings.TrimRight(pieces[i], " ")
		if pieces[i] != "" {
			break
		}
	}
	for i, text := range pieces {
		if style := l[i].Style; colour && style != Plain && text != "" {
			b.WriteString("\x1b[" + sgr[style] + "m" + text + "\x1b[0m")
		} else {
			b.WriteString(text)
		}
	}
	b.WriteByte('\n')
}
