// Package badfield is the error of the scheduler's packages about a bad input.
package badfield

import "fmt"

// Error is why something was refused: one bad field, and what would be right.
type Error struct {
	Field   string // path of the field, such as rules.edge_um, changes[3].from or path[3].d; empty: the whole
	Message string // what is wrong with it and what to do about it
}

// Error returns the field and the message.
func (e *Error) Error() string {
	if e.Field == "" {
		return e.Message
	}
	return e.Field + ": " + e.Message
}

// New returns the error of a field.
func New(field, format string, args ...any) *Error {
	return &Error{Field: field, Message: fmt.Sprintf(format, args...)}
}
