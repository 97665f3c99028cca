// Package instance reads published scheduling instances into problems: flexible job shops, job shops, jobs that are graphs, flow
// shops with parallel machines, with changeovers, with due times; and makes Taillard's again from their seeds.
//
// The package is given bytes: it opens no file, knows no bounds and solves nothing.
package instance

import (
	"fmt"
	"sort"

	"tandem/scheduler/plan/problem"
)

// Error says where a text is no instance.
type Error struct {
	Line   int    // from 1; that after the last one if the text ends too early
	Field  string // what was to be read there, for instance "duration of operation 3 of job 2"
	Reason string
}

func (e *Error) Error() string { return fmt.Sprintf("line %d: %s: %s", e.Line, e.Field, e.Reason) }

// formats are the readers. Each takes the numbers of the text and builds a problem.
var formats = map[string]func(*reader) *problem.Problem{
	"fjsp":      flexibleJobShop,
	"jsp":       jobShop,
	"fajsp":     graphShop,
	"fjsp-sdst": flexibleWithSetups,
	"hfsp":      hybridFlowShop,
	"pfsp-sdst": flowShopWithSetups,
	"pfsp-tt":   flowShopWithDueTimes,
}

// Formats lists the names that Read knows.
func Formats() []string {
	names := make([]string, 0, len(formats))
	for name := range formats {
		names = append(names, name)
	}
	sort.Strings(names)
	return names
}

// Read reads text in one of the [Formats]. The problem is valid. What is wrong with the text is an [*Error].
func Read(format string, text []byte) (*problem.Problem, error) {
	build, ok := formats[format]
	if !ok {
		return nil, fmt.Errorf("format %q is not known: use one of %v", format, Formats())
	}
	r := newReader(text)
	p := build(r)
	r.end()
	if r.err != nil {
		return nil, r.err
	}
	if err := problem.Validate(p); err != nil {
		return nil, fmt.Errorf("checking the instance: %w", err)
	}
	return p, nil
}
