package learn

import "fmt"

// Error is why an observation or a state was refused.
type Error struct {
	Field   string // what is wrong, such as actual or keys[3].ratios[0]
	Message string // what is wrong with it and what would be right
}

// Error returns the field and what is wrong with it.
func (e *Error) Error() string { return e.Field + ": " + e.Message }

func bad(field, format string, args ...any) *Error {
	return &Error{Field: field, Message: fmt.Sprintf(format, args...)}
}
