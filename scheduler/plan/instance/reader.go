package instance

import (
	"fmt"
	"strconv"
	"strings"

	"tandem/scheduler/plan/problem"
)

// Limits keep a small text from asking for much memory.
const (
	mostCount    = 100_000   // jobs, machines, operations
	longestTime  = 1_000_000 // of one operation or changeover
	latestDue    = 1_000_000_000
	mostEntries  = 4_000_000 // operations, or entries of one table of changeovers
	mostEntriesS = "more than 4000000 entries"
)

// word is what stands between blanks, and its line.
type word struct {
	text string
	line int
}

// reader hands out the numbers of a text. After the first error it hands out zeros, so that a builder asks for the error once.
type reader struct {
	words []word
	next  int
	last  int // line after the text
	err   error
}

func newReader(text []byte) *reader {
	r := &reader{}
	for i, line := range strings.Split(string(text), "\n") {
		line, _, _ = strings.Cut(line, "#")
		for text := range strings.FieldsSeq(line) {
			r.words = append(r.words, word{text, i + 1})
		}
		r.last = i + 2
	}
	return r
}

func (r *reader) fail(line int, reason, field string, args ...any) {
	if r.err == nil {
		r.err = &Error{line, fmt.Sprintf(field, args...), reason}
	}
}

// line is that of the next number.
func (r *reader) line() int {
	if r.next < len(r.words) {
		return r.words[r.next].line
	}
	return r.last
}

// take reads a number from low to high. The field is formatted only when something is wrong with it.
func (r *reader) take(low, high int64, field string, args ...any) int64 {
	if r.err != nil {
		return 0
	}
	if r.next == len(r.words) {
		r.fail(r.last, "the text ends before it", field, args...)
		return 0
	}
	w := r.words[r.next]
	value, err := strconv.ParseInt(w.text, 10, 64)
	if err != nil {
		r.fail(w.line, fmt.Sprintf("%.20q is no whole number", w.text), field, args...)
		return 0
	}
	if value < low || value > high {
		r.fail(w.line, fmt.Sprintf("%d is outside %d to %d", value, low, high), field, args...)
		return 0
	}
	r.next++
	return value
}

func (r *reader) count(field string, args ...any) int {
	return int(r.take(1, mostCount, field, args...))
}

func (r *reader) time(field string, args ...any) problem.Time {
	return r.take(0, longestTime, field, args...)
}

// room says whether rows times columns entries may follow: whether the text has so many numbers left.
func (r *reader) room(rows, columns int, field string) bool {
	switch {
	case r.err != nil:
		return false
	case rows*columns > mostEntries:
		r.fail(r.line(), mostEntriesS, "%s", field)
	case rows*columns > len(r.words)-r.next:
		r.fail(r.last, fmt.Sprintf("%d numbers are needed, %d are left", rows*columns, len(r.words)-r.next), "%s", field)
	}
	return r.err == nil
}

// skip leaves out a word that says nothing.
func (r *reader) skip() {
	if r.err == nil && r.next < len(r.words) {
		r.next++
	}
}

func (r *reader) end() {
	if r.err == nil && r.next < len(r.words) {
		r.fail(r.line(), "the instance is complete before it: the sizes in the first lines do not fit the rest", "end of the text")
	}
}
