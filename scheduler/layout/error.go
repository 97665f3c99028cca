package layout

import (
	"strconv"

	"tandem/scheduler/badfield"
)

// Error is why something cannot be laid out.
type Error = badfield.Error

// mm writes micrometres as millimetres with no more decimals than needed.
func mm(um int64) string {
	return strconv.FormatFloat(float64(um)/1000, 'f', -1, 64) + " mm"
}
