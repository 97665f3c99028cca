package layout

import (
	"fmt"
	"strconv"
)

// Error is why something cannot be laid out.
type Error struct {
	Field   string // path of the bad value, such as rules.edge_um or pieces[2].width_um
	Message string // what is wrong with it and what would be right
}

// Error returns the field and the message.
func (e *Error) Error() string { return e.Field + ": " + e.Message }

func invalid(field, format string, args ...any) *Error {
	return &Error{Field: field, Message: fmt.Sprintf(format, args...)}
}

// mm writes micrometres as millimetres with no more decimals than needed.
func mm(um int64) string {
	return strconv.FormatFloat(float64(um)/1000, 'f', -1, 64) + " mm"
}
