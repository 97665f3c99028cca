package contour

import (
	"strings"

	"tandem/scheduler/badfield"
)

// Error is why a cut file, its options or a motion was refused.
type Error = badfield.Error

// shorten keeps foreign text from filling a message.
func shorten(s string) string {
	const most = 40
	if len(s) <= most {
		return strings.ToValidUTF8(s, "?")
	}
	return strings.ToValidUTF8(s[:most], "?") + "..."
}
