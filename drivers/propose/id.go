package propose

import (
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

const longestID = 63

// IDFrom makes an id of a name: letters without their accents in lower case, digits, and a dash for everything else. It is
// empty if the name has neither letters of the Latin alphabet nor digits.
func IDFrom(name string) string {
	name = strings.NewReplacer("ß", "ss", "æ", "ae", "Æ", "ae", "ø", "o", "Ø", "o", "œ", "oe", "Œ", "oe", "ł", "l", "Ł", "l").Replace(name)
	var b strings.Builder
	dash := false
	for _, r := range norm.NFKD.String(name) {
		r = unicode.ToLower(r)
		switch {
		case r >= 'a' && r <= 'z' || r >= '0' && r <= '9':
			if dash && b.Len() > 0 {
				b.WriteByte('-')
			}
			dash = false
			b.WriteRune(r)
		case unicode.Is(unicode.Mn, r): // an accent
		default:
			dash = true
		}
	}
	id := b.String()
	return strings.TrimRight(id[:min(len(id), longestID)], "-")
}
