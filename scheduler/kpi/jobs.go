package kpi

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
)

// JobPart is what became of jobs in a part of the period. Gang runs are not counted: they do the work of other jobs.
type JobPart struct {
	Part
	Accepted int
	// Completed, Canceled and Aborted are jobs that ended in the part.
	Completed, Canceled, Aborted int
	Open                         int     // at its end
	Good, Spoiled                int64   // pieces of the completed jobs
	AreaM2                       float64 // web that was begun on: of runs that take media and ended in the part

	// Flow is the time from intake to completion of the jobs completed.
	Flow Spread
	// Due are the jobs that were due in the part, OnTime those of them that were completed by then. Canceled ones count as neither,
	// and those that are due after the end of what is known are not yet counted.
	Due, OnTime int
	Values      []Value

	Operations []OperationSum // by name
	Late       []LateJob      // of those that were due, the latest first
}

// Spread tells how long things took.
type Spread struct {
	N              int
	Mean, P50, P90 time.Duration // percentiles by nearest rank: so many of 100 took no longer
}

// NewSpread returns the spread of durations.
func NewSpread(list []time.Duration) Spread {
	if len(list) == 0 {
		return Spread{}
	}
	list = slices.Sorted(slices.Values(list))
	var sum float64
	for _, d := range list {
		sum += float64(d)
	}
	rank := func(p float64) time.Duration { return list[int(math.Ceil(p*float64(len(list))))-1] }
	return Spread{N: len(list), Mean: time.Duration(sum / float64(len(list))), P50: rank(0.5), P90: rank(0.9)}
}

// OperationSum is what one operation did, by its runs that ended in the part.
type OperationSum struct {
	Operation     string
	Runs          int
	Good, Spoiled int64
	AreaM2        float64
	Hours         time.Duration // from their starts to their ends
}

// LateJob was not completed when it was due.
type LateJob struct {
	Job, Code, Name string
	Due             time.Time
	Finished        time.Time // zero: it is still open
	Late            time.Duration
}

// JobParts returns what became of jobs in each part.
func (p *Past) JobParts(parts []Part) []JobPart {
	var out []JobPart
	for _, part := range parts {
		v := JobPart{Part: part}
		v.jobs(p)
		v.runs(p.Runs)
		out = append(out, v)
	}
	return out
}

func (i Interval) holds(t time.Time) bool { return !t.IsZero() && !t.Before(i.From) && t.Before(i.To) }

func (v *JobPart) jobs(p *Past) {
	var flow []time.Duration
	var sums Orders
	for i := range p.Jobs {
		j := &p.Jobs[i]
		if j.Gang {
			continue
		}
		if v.holds(j.Accepted) {
			v.Accepted++
		}
		if j.Accepted.Before(v.To) && (j.Finished.IsZero() || !j.Finished.Before(v.To)) {
			v.Open++
		}
		if v.holds(j.Finished) {
			switch j.State {
			case tandemv1.JobState_JOB_STATE_CANCELED:
				v.Canceled++
			case tandemv1.JobState_JOB_STATE_ABORTED:
				v.Aborted++
			default:
				v.Completed++
				v.Good += j.Good
				v.Spoiled += j.Spoiled
				flow = append(flow, j.Finished.Sub(j.Accepted))
				if !j.Started.IsZero() {
					sums.Produced += j.Good + j.Spoiled
					sums.Scrap += j.Spoiled
					sums.PlannedScrap += j.Overs
					sums.Execution += j.Finished.Sub(j.Started)
					sums.Busy += j.Busy
				}
			}
		}
		v.due(j, p.To)
	}
	v.Flow, v.Values = NewSpread(flow), OrderValues(sums)
	slices.SortStableFunc(v.Late, func(a, b LateJob) int { return cmp.Or(cmp.Compare(b.Late, a.Late), strings.Compare(a.Job, b.Job)) })
}

// due counts a job that was due in the part. What is known ends at now.
func (v *JobPart) due(j *Job, now time.Time) {
	givenUp := j.State == tandemv1.JobState_JOB_STATE_CANCELED || j.State == tandemv1.JobState_JOB_STATE_ABORTED
	if !v.holds(j.Due) || givenUp {
		return
	}
	v.Due++
	if !j.Finished.IsZero() && !j.Finished.After(j.Due) {
		v.OnTime++
		return
	}
	end := j.Finished
	if end.IsZero() {
		end = now
	}
	v.Late = append(v.Late, LateJob{Job: j.ID, Code: j.Code, Name: j.Name, Due: j.Due, Finished: j.Finished, Late: end.Sub(j.Due)})
}

func (v *JobPart) runs(runs []Run) {
	for i := range runs {
		r := &runs[i]
		if !v.holds(r.Ended) || !r.began() {
			continue
		}
		at := slices.IndexFunc(v.Operations, func(o OperationSum) bool { return o.Operation == r.Operation })
		if at < 0 {
			v.Operations = append(v.Operations, OperationSum{Operation: r.Operation})
			at = len(v.Operations) - 1
		}
		o := &v.Operations[at]
		o.Runs++
		o.Good += r.Good
		o.Spoiled += r.Spoiled
		o.AreaM2 += r.AreaM2()
		if !r.Started.IsZero() {
			o.Hours += r.Ended.Sub(r.Started)
		}
		if r.Supply != "" && r.Film == "" {
			v.AreaM2 += r.AreaM2()
		}
	}
	slices.SortFunc(v.Operations, func(a, b OperationSum) int { return strings.Compare(a.Operation, b.Operation) })
}
