// Package tandemv1 is the API of the daemon: jobs, devices, scans, events. Generated from the contracts beside it, but for
// the grammar of ids.
package tandemv1

// IDRule is what ValidID holds, in words for people.
const IDRule = "an id has 1 to 63 lower case letters, digits and dashes and does not begin with a dash"

// ValidID says whether s is an id: [a-z0-9][a-z0-9-]{0,62}. Held at every door, it keeps an id from ever being a wildcard,
// a path or a formula.
func ValidID(s string) bool {
	if len(s) < 1 || len(s) > 63 || s[0] == '-' {
		return false
	}
	for i := range len(s) {
		c := s[i]
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return true
}
