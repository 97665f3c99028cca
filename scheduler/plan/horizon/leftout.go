package horizon

import (
	"fmt"
	"strings"

	"tandem/scheduler/floor"
)

// mostNamed is how many of the steps that are left out for one reason are named. On a big floor hundreds may be: who reads the plan wants
// to know how many, and why.
const mostNamed = 3

// leftOut gathers the steps that are not planned by the reason why, in the order in which reasons were first met.
type leftOut struct {
	reasons []string
	steps   map[string][]*floor.Step
}

func (l *leftOut) add(s *floor.Step, why string) {
	if l.steps == nil {
		l.steps = map[string][]*floor.Step{}
	}
	if l.steps[why] == nil {
		l.reasons = append(l.reasons, why)
	}
	l.steps[why] = append(l.steps[why], s)
}

// words returns a line for each reason: how many steps, and the first of them by name.
func (l *leftOut) words() []string {
	var lines []string
	for _, why := range l.reasons {
		steps := l.steps[why]
		var names []string
		for _, s := range steps[:min(len(steps), mostNamed)] {
			names = append(names, s.Job.ID+"/"+s.ID())
		}
		line := strings.Join(names, ", ")
		if more := len(steps) - len(names); more > 0 {
			line = fmt.Sprintf("%d steps, such as %s", len(steps), line)
		}
		lines = append(lines, line+": "+why)
	}
	return lines
}
