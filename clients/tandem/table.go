package main

import "tandem/clients/celltext"

// table prints rows in columns. The last column may be of any length.
type table struct {
	head []string
	rows [][]span
}

func (t *table) add(cells ...span) { t.rows = append(t.rows, cells) }

// print puts the head, unless there are no rows, and the rows, each column as wide as its longest cell.
func (t *table) print(p *printer) {
	if len(t.rows) == 0 {
		return
	}
	head := make([]span, len(t.head))
	for i, text := range t.head {
		head[i] = span{strong, text}
	}
	rows := append([][]span{head}, t.rows...)
	widths := make([]int, len(t.head))
	for _, row := range rows {
		for i, cell := range row {
			widths[i] = max(widths[i], celltext.Width(celltext.Clean(cell.Text)))
		}
	}
	for _, row := range rows {
		var line []span
		for i, cell := range row {
			text := celltext.Clean(cell.Text)
			if i < len(row)-1 {
				text = celltext.Pad(text, widths[i])
			}
			line = append(line, span{cell.Style, text}, span{plain, "  "})
		}
		p.line(line...)
	}
}

// facts prints a list of names and values, one each line; empty values are left out.
type facts struct {
	names, values []span
}

func (f *facts) add(name, value string) { f.style(name, plain, value) }

func (f *facts) style(name string, style celltext.Style, value string) {
	if value != "" {
		f.names = append(f.names, span{faint, name})
		f.values = append(f.values, span{style, value})
	}
}

func (f *facts) print(p *printer) {
	width := 0
	for _, n := range f.names {
		width = max(width, celltext.Width(n.Text))
	}
	for i, n := range f.names {
		p.line(span{n.Style, celltext.Pad(n.Text, width) + "  "}, f.values[i])
	}
}
