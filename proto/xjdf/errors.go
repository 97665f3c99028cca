package xjdf

import (
	"errors"
	"fmt"
	"strings"
)

// ErrNotWellFormed says that the text is no complete XML: it may still be being written.
var ErrNotWellFormed = errors.New("not well-formed XML")

// Error is one thing that is wrong with a ticket.
type Error struct {
	Path    string // such as XJDF/ResourceSet[3]/Resource/Component/@Dimensions; empty if it is about the whole text
	Line    int    // from 1; 0 if it is not known
	Problem string // what is wrong and what would be right

	kind error
}

// Error returns one line: line 12: path: problem.
func (e *Error) Error() string {
	var b strings.Builder
	if e.Line > 0 {
		fmt.Fprintf(&b, "line %d: ", e.Line)
	}
	if e.Path != "" {
		b.WriteString(e.Path + ": ")
	}
	b.WriteString(e.Problem)
	return b.String()
}

// Unwrap returns ErrNotWellFormed or nil.
func (e *Error) Unwrap() error { return e.kind }

// Errors is everything that was found wrong with a ticket, in the order in which it was found; at least one.
type Errors []*Error

// Error returns one line for each.
func (e Errors) Error() string {
	lines := make([]string, len(e))
	for i, one := range e {
		lines[i] = one.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap lets errors.As find each *Error.
func (e Errors) Unwrap() []error {
	errs := make([]error, len(e))
	for i, one := range e {
		errs[i] = one
	}
	return errs
}

func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
