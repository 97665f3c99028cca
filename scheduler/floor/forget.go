package floor

import (
	"fmt"

	"tandem/scheduler/code"
)

// Forget drops a job that has ended, so that a simulation of a year does not carry all its jobs along. It is for simulations
// only: it is no event, a ledger knows nothing of it, and [Floor.Check] no longer finds what the job's runs took of a lot. A
// job that has not ended is a bug of the caller's, and Forget panics.
func (f *Floor) Forget(j *Job) {
	if f.byJob[j.ID] != j || j.End.IsZero() {
		panic(fmt.Sprintf("floor: job %q is to be forgotten and has not ended, or is not there", j.ID))
	}
	f.drop(j)
	// The list is brought up to date only when half of it is out of date.
	if f.forgotten++; 2*f.forgotten > len(f.Jobs) {
		kept := f.Jobs[:0]
		for _, o := range f.Jobs {
			if f.byJob[o.ID] == o {
				kept = append(kept, o)
			}
		}
		clear(f.Jobs[len(kept):])
		f.Jobs, f.forgotten = kept, 0
	}
}

// drop takes a job out of all but the list.
func (f *Floor) drop(j *Job) {
	delete(f.byJob, j.ID)
	f.unindex(j.Code)
	for _, p := range j.Panels {
		f.unindex(p.Code)
	}
	for _, s := range j.Steps {
		for _, r := range s.Runs {
			delete(f.runs, r.ID)
		}
	}
}

func (f *Floor) unindex(payload string) {
	if c, err := code.Parse(payload); err == nil {
		delete(f.codes, c)
	}
}
