package floor

import (
	"fmt"
	"strings"
)

// Kind sorts errors by what the caller can do about them.
type Kind int

// The kinds of errors.
const (
	Invalid   Kind = iota + 1 // the request is wrong in itself: correct it
	NotFound                  // no such job, step, panel, run or device
	Exists                    // the id is taken, or the request id was used for something else
	Conflict                  // not in this state: the message says what is in the way
	Forbidden                 // not by this person
	Stale                     // from an old driver, an old epoch or an old fence: ignore the sender
)

// Violation is one bad field of a request.
type Violation struct {
	Field   string // path in the request, such as steps[3].after[0]
	Problem string // what is wrong and what would be right
}

// Error is why a command was refused.
type Error struct {
	Kind       Kind
	Reason     string // stable, upper snake case, for programs
	Message    string // one sentence for people
	Violations []Violation
	Metadata   map[string]string // further facts for programs
}

// Error returns the message, followed by the bad fields if there are any.
func (e *Error) Error() string {
	if len(e.Violations) == 0 {
		return e.Message
	}
	var b strings.Builder
	b.WriteString(e.Message)
	for i, v := range e.Violations {
		sep := "; "
		if i == 0 {
			sep = ": "
		}
		fmt.Fprintf(&b, "%s%s: %s", sep, v.Field, v.Problem)
	}
	return b.String()
}

// Missing is the error for a "job", "step", "panel", "run" or "device" that is not there.
func Missing(what, id string) *Error {
	return &Error{
		Kind: NotFound, Reason: strings.ToUpper(what) + "_NOT_FOUND",
		Message: fmt.Sprintf("there is no %s %q", what, shorten(id)),
	}
}

func conflict(reason, format string, args ...any) *Error {
	return &Error{Kind: Conflict, Reason: reason, Message: fmt.Sprintf(format, args...)}
}

func invalid(field, format string, args ...any) *Error {
	return &Error{
		Kind: Invalid, Reason: "INVALID_FIELD", Message: "the request has a bad field",
		Violations: []Violation{{Field: field, Problem: fmt.Sprintf(format, args...)}},
	}
}

// shorten keeps foreign text from filling a message.
func shorten(s string) string {
	const most = 80
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "..."
}

// few lists the first names of a list, and says if there are more.
func few(names []string) string {
	const most = 8
	if len(names) > most {
		return strings.Join(names[:most], ", ") + ", ..."
	}
	return strings.Join(names, ", ")
}
