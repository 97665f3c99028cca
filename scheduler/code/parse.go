package code

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// MaxPayload is the longest payload that is looked at, in bytes.
const MaxPayload = 512

// Parse reads what a reader sent or a person keyed. It takes line ends, tabs and blanks off both ends, takes off a
// symbology identifier of ISO/IEC 15424 ("]C0" and the like), ignores case, and then asks for exactly one code. The error
// is an *Error.
func Parse(payload string) (Code, error) {
	if len(payload) > MaxPayload {
		return Code{}, refuse(ErrTooLong, payload, fmt.Sprintf("%d bytes; scan one code only", len(payload)))
	}
	text := strings.Trim(payload, " \t\r\n")
	if text == "" {
		return Code{}, refuse(ErrNotACode, text, "nothing was read; scan again")
	}
	if doubled(text) {
		return Code{}, refuse(ErrDoubled, text, "the reader sends every scan twice or was triggered twice; scan again, and check the reader if it goes on")
	}
	c, err := parseOne(text)
	if err != nil {
		return Code{}, err
	}
	return c, nil
}

func parseOne(text string) (Code, *Error) {
	s := upper(stripIdentifier(text))
	if hint := layoutHint(s); hint != "" {
		return Code{}, refuse(ErrNotACode, text, hint)
	}
	c, hint, err := decode(s)
	if err != nil {
		return Code{}, refuse(err, text, hint)
	}
	return c, nil
}

// decode reads upper case text that is one code and nothing else. The error is one of the sentinels, the hint goes with it.
func decode(s string) (c Code, hint string, err error) {
	if len(s) < shortest || len(s) > longest {
		return c, fmt.Sprintf("a code has %d to %d characters", shortest, longest), ErrNotACode
	}
	if c.Kind = Kind(s[0]); !c.Kind.known() {
		return c, "no code begins like that", ErrNotACode
	}
	digits, check := s[1:len(s)-1], s[len(s)-1]
	for i := range len(digits) {
		v := strings.IndexByte(numerals, digits[i])
		switch {
		case v >= 0:
			c.Number = c.Number*uint64(len(numerals)) + uint64(v)
		case digits[i] == 'I' || digits[i] == 'O':
			return c, "numbers have no letter I or O; key 1 or 0", ErrNotACode
		default:
			return c, "a code has letters and digits only", ErrNotACode
		}
	}
	switch {
	case len(digits) > leastDigits && digits[0] == '0':
		return c, "the number begins with needless zeros", ErrNotACode
	case strings.IndexByte(alphabet, check) < 0:
		return c, "a code has letters and digits only", ErrNotACode
	case check != Check(s[:len(s)-1]):
		return c, checkHint(s), ErrCheck
	}
	return c, "", nil
}

// upper folds a-z only: strings.ToUpper would also turn foreign letters into A-Z.
func upper(s string) string {
	return strings.Map(func(r rune) rune {
		if 'a' <= r && r <= 'z' {
			return r - 'a' + 'A'
		}
		return r
	}, s)
}

// stripIdentifier takes off one symbology identifier of ISO/IEC 15424: "]", a letter for the symbology, a modifier.
func stripIdentifier(s string) string {
	letter := func(b byte) bool { return 'A' <= b&^0x20 && b&^0x20 <= 'Z' }
	if len(s) > 3 && s[0] == ']' && letter(s[1]) && (letter(s[2]) || '0' <= s[2] && s[2] <= '9') {
		return s[3:]
	}
	return s
}

// doubled says whether text is one valid code twice, with or without a line end and a symbology identifier between.
func doubled(text string) bool {
	for _, s := range []string{text, stripIdentifier(text)} {
		for _, sep := range []string{"", "\r\n", "\r", "\n", "\t", " "} {
			half := (len(s) - len(sep)) / 2
			if half < shortest || len(s) != 2*half+len(sep) || s[half:half+len(sep)] != sep {
				continue
			}
			if first, second := s[:half], s[half+len(sep):]; upper(first) == upper(second) && valid(upper(stripIdentifier(first))) {
				return true
			}
		}
	}
	return false
}

const layoutDiffers = "the keyboard layout of the reader differs from that of this computer; set both to the same one"

// layoutHint recognises what comes out when a reader types for another keyboard layout: the upper row of a French
// keyboard gives & é " ' ( è ç à for digits, a German one ß and ´ beside the digits and + for the bracket of a symbology
// identifier, a Cyrillic or Greek one foreign letters (common practice, no source). None of these occurs in a code. What is
// far longer than a code was never meant to be one.
func layoutHint(s string) string {
	if utf8.RuneCountInString(s) > longest+len("]C0") {
		return ""
	}
	for _, r := range s {
		if strings.ContainsRune("'\"&(`^~", r) || r >= utf8.RuneSelf && r != utf8.RuneError {
			return layoutDiffers
		}
	}
	if len(s) > len("]C0") && !Kind(s[0]).known() && valid(s[len("]C0"):]) {
		return layoutDiffers
	}
	return ""
}

// valid says whether s has the form and the check character of a code.
func valid(s string) bool {
	_, _, problem := decode(s)
	return problem == nil
}

// checkHint looks for a layout that swaps letters: then the same keys give a valid code.
func checkHint(s string) string {
	swaps := []*strings.Replacer{
		strings.NewReplacer("Y", "Z", "Z", "Y"),                     // German and most of central Europe
		strings.NewReplacer("A", "Q", "Q", "A", "W", "Z", "Z", "W"), // French
	}
	for _, swap := range swaps {
		if t := swap.Replace(s); t != s && t[len(t)-1] == Check(t[:len(t)-1]) {
			return "compare it with the print, or " + layoutDiffers
		}
	}
	return "compare it with the print; mind 0 and O, 1 and I"
}
