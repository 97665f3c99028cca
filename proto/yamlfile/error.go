package yamlfile

import (
	"fmt"
	"strings"
)

// Error is what is wrong with a file. A file may have several problems: File, Line, Field and Problem are the first one's.
type Error struct {
	File    string   // as it was named by the caller
	Line    int      // from 1; 0 if it is not known
	Field   string   // path such as devices[2].abilities[0].setup; empty if it is about the whole file
	Problem string   // what is wrong and what would be right
	More    []*Error // further problems, in the order of the file; each without More
}

// Error returns one line for each problem: file:line: field: problem.
func (e *Error) Error() string {
	var b strings.Builder
	for i, p := range e.All() {
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(p.File)
		if p.Line > 0 {
			fmt.Fprintf(&b, ":%d", p.Line)
		}
		b.WriteString(": ")
		if p.Field != "" {
			b.WriteString(p.Field)
			b.WriteString(": ")
		}
		b.WriteString(p.Problem)
	}
	return b.String()
}

// All returns every problem, the first one included.
func (e *Error) All() []*Error { return append([]*Error{e}, e.More...) }

// Join makes one *Error of several problems; nil if there are none.
func Join(problems []*Error) error {
	if len(problems) == 0 {
		return nil
	}
	first := *problems[0]
	first.More = problems[1:]
	return &first
}

// Lines tells at which line of its file a field stands.
type Lines map[string]int

// At returns the line of a field, or else of the nearest field around it; 0 if there is none.
func (l Lines) At(field string) int {
	for field != "" {
		if n, ok := l[field]; ok {
			return n
		}
		field = field[:max(strings.LastIndexAny(field, ".["), 0)]
	}
	return 0
}

// Quote returns foreign text in quotes, short enough for a message.
func Quote(s string) string {
	const most = 70
	if len(s) > most {
		return fmt.Sprintf("%q...", strings.ToValidUTF8(s[:most], ""))
	}
	return fmt.Sprintf("%q", s)
}
