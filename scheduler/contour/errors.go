package contour

import (
	"fmt"
	"strings"
)

// Error is why a cut file, its options or a motion was refused.
type Error struct {
	Field   string // where: an element and its attribute such as path[3].d (the fourth path of the file), or a field
	Message string // what is wrong and what would be right
}

// Error returns the field and the message.
func (e *Error) Error() string {
	if e.Field == "" {
		return e.Message
	}
	return e.Field + ": " + e.Message
}

func invalid(field, format string, args ...any) *Error {
	return &Error{Field: field, Message: fmt.Sprintf(format, args...)}
}

// shorten keeps foreign text from filling a message.
func shorten(s string) string {
	const most = 40
	if len(s) <= most {
		return strings.ToValidUTF8(s, "?")
	}
	return strings.ToValidUTF8(s[:most], "?") + "..."
}
