package crashtest

import (
	"strings"
	"testing"
	"time"

	"github.com/anishathalye/porcupine"
)

// said is an operation of a history that a test makes up; each begins when the one before has ended unless it says otherwise.
func said(at int64, k kind, request uint, a answer) porcupine.Operation {
	op := porcupine.Operation{Input: question{job: "j", kind: k, request: request}, Output: a, Call: 10 * at, Return: 10*at + 5}
	if a.result == unknown {
		op.Return = never
	}
	return op
}

var (
	free     = answer{result: done, code: "J1"}
	held     = answer{result: done, code: "J1", held: true}
	canceled = answer{result: done, code: "J1", canceled: true}
)

func TestModel(t *testing.T) {
	for _, c := range []struct {
		name    string
		history []porcupine.Operation
		right   bool
	}{
		{"a life", []porcupine.Operation{
			said(0, get, 0, answer{result: missing}), said(1, create, 1, free), said(2, hold, 2, held), said(3, get, 3, held),
			said(4, release, 4, free), said(5, cancelJob, 5, canceled), said(6, hold, 6, answer{result: refused}), said(7, get, 7, canceled),
		}, true},
		{"asked again", []porcupine.Operation{said(0, create, 0, free), said(1, hold, 1, held), said(2, release, 2, free), said(3, hold, 1, free), said(4, get, 3, free)}, true},
		{"done although nobody heard", []porcupine.Operation{said(0, create, 0, answer{}), said(1, get, 1, free)}, true},
		{"not done, and nobody heard", []porcupine.Operation{said(0, create, 0, answer{}), said(1, get, 1, answer{result: missing})}, true},
		{"done late", []porcupine.Operation{said(0, create, 0, free), said(1, hold, 1, answer{}), said(2, get, 2, free), said(3, get, 3, held)}, true},
		{"nothing new is taken", []porcupine.Operation{said(0, create, 0, answer{result: closed}), said(1, get, 1, answer{result: missing}), said(2, create, 0, free)}, true},

		{"acknowledged and lost", []porcupine.Operation{said(0, create, 0, free), said(1, get, 1, answer{result: missing})}, false},
		{"a change lost", []porcupine.Operation{said(0, create, 0, free), said(1, hold, 1, held), said(2, get, 2, free)}, false},
		{"done twice", []porcupine.Operation{said(0, create, 0, free), said(1, hold, 1, held), said(2, release, 2, free), said(3, hold, 1, free), said(4, get, 3, held)}, false},
		{"another job for the same request", []porcupine.Operation{said(0, create, 0, free), said(1, create, 0, answer{result: done, code: "J2"})}, false},
		{"taken by a request that comes again", []porcupine.Operation{said(0, create, 0, free), said(1, create, 0, answer{result: exists})}, false},
		{"two jobs of one id", []porcupine.Operation{said(0, create, 0, free), said(1, create, 1, free)}, false},
		{"an old state after a new one", []porcupine.Operation{said(0, create, 0, free), said(1, hold, 1, answer{}), said(2, get, 2, held), said(3, get, 3, free)}, false},
		{"refused, and done", []porcupine.Operation{said(0, create, 0, answer{result: closed}), said(1, get, 1, free)}, false},
		{"taken although nobody said so", []porcupine.Operation{said(0, get, 0, free)}, false},
		{"alive after it was canceled", []porcupine.Operation{said(0, create, 0, free), said(1, cancelJob, 1, canceled), said(2, get, 2, free)}, false},
	} {
		err := checkHistory(c.history, time.Second)
		if (err == nil) != c.right {
			t.Errorf("%s: %v, want right %t", c.name, err, c.right)
		}
		if err != nil && !strings.Contains(err.Error(), "no order of the requests explains") {
			t.Errorf("%s: not decided: %v", c.name, err)
		}
	}
}
