package code

import (
	"errors"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// What can be wrong with a payload. Parse returns an *Error that wraps one of these.
var (
	// ErrTooLong: more bytes than any reader should send.
	ErrTooLong = errors.New("is longer than any code")
	// ErrNotACode: not of the form letter, number, check character.
	ErrNotACode = errors.New("is not a code of this shop")
	// ErrCheck: of the right form, but the check character belongs to something else.
	ErrCheck = errors.New("was mistyped or misread")
	// ErrDoubled: one valid code twice in a row: a fault of the reader. It is never taken for the code itself, because a
	// reader that doubles may also lose half.
	ErrDoubled = errors.New("holds the same code twice")
)

// Error is why a payload is not a code. Its text is one line that is safe to show: what was seen is quoted, shortened and
// free of control characters.
type Error struct {
	Err  error  // ErrTooLong, ErrNotACode, ErrCheck or ErrDoubled
	Seen string // what was read: quoted, shortened, printable
	Hint string // what to do about it
}

// Error returns what was seen, what is wrong with it and what to do.
func (e *Error) Error() string {
	s := e.Seen + " " + e.Err.Error()
	if e.Hint != "" {
		s += ": " + e.Hint
	}
	return s
}

// Unwrap returns Err.
func (e *Error) Unwrap() error { return e.Err }

func refuse(err error, payload, hint string) *Error {
	return &Error{Err: err, Seen: show(payload), Hint: hint}
}

// show quotes foreign text so that it can neither fill nor disturb a terminal, a log or a web page: at most 40
// characters, and a question mark for each one that is not printable (control, format and broken ones).
func show(s string) string {
	const most = 40
	var b strings.Builder
	n := 0
	for _, r := range s {
		if n == most {
			b.WriteString("...")
			break
		}
		if r == utf8.RuneError || !unicode.IsPrint(r) {
			r = '?'
		}
		b.WriteRune(r)
		n++
	}
	return strconv.Quote(b.String())
}
