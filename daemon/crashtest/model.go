package crashtest

import (
	"fmt"

	"github.com/anishathalye/porcupine"
)

// kind is what a client asks.
type kind int

const (
	create kind = iota
	hold
	release
	cancelJob
	get
)

func (k kind) String() string { return [...]string{"create", "hold", "release", "cancel", "get"}[k] }

// question is one attempt of a request about one job that devices never touch: only clients change it.
type question struct {
	job     string
	kind    kind
	request uint // number of the request among those of its job, below 64; attempts of one request share it
}

// result is what a client has heard.
type result int

const (
	unknown result = iota // no answer: it may have been done, or may be done later
	done
	missing // there is no such job
	exists  // there is such a job already, by another request
	refused // it has ended
	closed  // not done, and certain not to be: the daemon takes nothing new
)

func (r result) String() string {
	return [...]string{"unknown", "done", "missing", "exists", "refused", "closed"}[r]
}

// answer is what a client has heard, and the job's state if that was shown to it.
type answer struct {
	result         result
	held, canceled bool
	code           string // of the job: the same for ever
}

// jobState is the sequential model of one job.
type jobState struct {
	there, held, canceled bool
	code                  string // empty: nobody has seen it yet
	applied               uint64 // requests that have changed something, by number
}

// jobModel says which histories of answers a daemon may give that does one thing after the other, each request once.
var jobModel = porcupine.Model{
	Partition: func(history []porcupine.Operation) [][]porcupine.Operation {
		byJob := map[string][]porcupine.Operation{}
		var order []string
		for _, op := range history {
			job := op.Input.(question).job
			if byJob[job] == nil {
				order = append(order, job)
			}
			byJob[job] = append(byJob[job], op)
		}
		parts := make([][]porcupine.Operation, len(order))
		for i, job := range order {
			parts[i] = byJob[job]
		}
		return parts
	},
	Init: func() any { return jobState{} },
	Step: func(state, input, output any) (bool, any) {
		return step(state.(jobState), input.(question), output.(answer))
	},
	DescribeOperation: func(input, output any) string {
		q, a := input.(question), output.(answer)
		return fmt.Sprintf("%s %s #%d: %s held %t canceled %t %s", q.kind, q.job, q.request, a.result, a.held, a.canceled, a.code)
	},
	DescribeState: func(state any) string { return fmt.Sprintf("%+v", state.(jobState)) },
}

// step says whether an answer is right in a state, and what the state is then.
func step(s jobState, q question, a answer) (bool, jobState) {
	if a.result == closed {
		return true, s
	}
	right, after := expect(s, q)
	if a.result == unknown {
		return true, after // or not done: that is the same as done after everything else
	}
	if a.result != right {
		return false, s
	}
	if a.result != done {
		return true, after
	}
	if after.code == "" {
		after.code = a.code
	}
	if q.kind == get && (a.held != (after.held && !after.canceled) || a.canceled != after.canceled) {
		return false, s
	}
	return a.code == after.code, after
}

// expect is what a daemon answers that does one thing after the other.
func expect(s jobState, q question) (result, jobState) {
	bit := uint64(1) << q.request
	switch {
	case q.kind == get && !s.there:
		return missing, s
	case q.kind == get, s.applied&bit != 0: // done before: the same request changes nothing more
		return done, s
	case q.kind == create && s.there:
		return exists, s
	case q.kind == create:
		s.there = true
	case !s.there:
		return missing, s
	case q.kind == cancelJob && s.canceled:
		return done, s
	case s.canceled:
		return refused, s
	case q.kind == hold && s.held, q.kind == release && !s.held:
		return done, s
	case q.kind == hold:
		s.held = true
	case q.kind == release:
		s.held = false
	case q.kind == cancelJob:
		s.canceled = true
	}
	s.applied |= bit
	return done, s
}
