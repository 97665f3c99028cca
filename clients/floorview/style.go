package floorview

import (
	"strings"

	"tandem/clients/celltext"
)

type style = celltext.Style

const (
	plain  = celltext.Plain
	strong = celltext.Strong
	faint  = celltext.Faint
	good   = celltext.Good
	busy   = celltext.Busy
	warn   = celltext.Warn
	bad    = celltext.Bad
)

// span has the shape of celltext.Span; it is a type of its own so that drawings can be written without field names.
type span struct {
	Style style
	Text  string
}

type line []span

func (l line) text() celltext.Line {
	out := make(celltext.Line, len(l))
	for i, s := range l {
		out[i] = celltext.Span(s)
	}
	return out
}

func (l line) cells() int { return l.text().Cells() }

func (l line) write(b *strings.Builder, width int, colour bool) { l.text().Write(b, width, colour) }
