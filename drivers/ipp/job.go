package ipp

import (
	"errors"
	"slices"

	"github.com/OpenPrinting/goipp"

	"tandem/drivers"
	tandemv1 "tandem/proto/tandem/v1"
)

// jobAttributes are those that readJob reads (RFC 8011 section 5.3).
var jobAttributes = []string{
	"job-id", "job-name", "job-state", "job-state-reasons", "job-impressions", "job-impressions-completed",
	"job-media-sheets", "job-media-sheets-completed", "job-k-octets", "number-of-documents",
	"time-at-processing", "time-at-completed", "job-printer-up-time",
}

// job is how a job at a printer is. A number that the printer does not tell is -1.
type job struct {
	id        int
	name      string
	state     tandemv1.JobState
	reasons   []string // without "none"
	whole     int      // impressions of one copy, or sheets where those are not told
	done      int      // of all copies
	kOctets   int      // of all its documents, in units of 1024 bytes, rounded up
	documents int
	begun     int // seconds before now; -1: not begun or not told
	ended     int
}

var errNoJob = errors.New("the answer has no job-id and job-state of RFC 8011 section 5.3")

func readJob(a goipp.Attributes) (*job, error) {
	j := &job{
		id: number(a, "job-id"), name: text(a, "job-name"), state: tandemv1.JobState(number(a, "job-state")),
		reasons: reasons(a, "job-state-reasons"), kOctets: number(a, "job-k-octets"), documents: number(a, "number-of-documents"),
		whole: number(a, "job-impressions"), done: number(a, "job-impressions-completed"), begun: -1, ended: -1,
	}
	if j.done < 0 {
		j.whole, j.done = number(a, "job-media-sheets"), number(a, "job-media-sheets-completed")
	}
	if _, ok := tandemv1.JobState_name[int32(j.state)]; !ok || j.state == tandemv1.JobState_JOB_STATE_UNSPECIFIED || j.id < 1 {
		return nil, errNoJob
	}
	if now := number(a, "job-printer-up-time"); now > 0 { // the printer's clock need not be ours, nor right
		ago := func(name string) int {
			if at := number(a, name); at > 0 && at <= now {
				return now - at
			}
			return -1
		}
		j.begun, j.ended = ago("time-at-processing"), ago("time-at-completed")
	}
	return j, nil
}

// lacksDocuments says whether a job that has not ended waits for its document: nothing of it can be printed yet.
func (j *job) lacksDocuments() bool {
	waits := j.state == tandemv1.JobState_JOB_STATE_PENDING || j.state == tandemv1.JobState_JOB_STATE_PENDING_HELD
	return waits && (j.documents == 0 || slices.Contains(j.reasons, "job-data-insufficient") || slices.Contains(j.reasons, "job-incoming"))
}

// awaits says whether a job that was given some documents waits for more of them, as far as the printer tells.
func (j *job) awaits(given int) bool {
	if drivers.Ended(j.state) || j.documents > given {
		return false
	}
	return given > 0 || j.documents == 0 || j.state != tandemv1.JobState_JOB_STATE_PROCESSING ||
		slices.Contains(j.reasons, "job-data-insufficient") || slices.Contains(j.reasons, "job-incoming")
}

// preparing says whether the printer works on the job without printing yet.
func (j *job) preparing() bool {
	has := func(reason string) bool { return slices.Contains(j.reasons, reason) }
	return j.done <= 0 && !has("job-printing") && (has("job-interpreting") || has("job-transforming") || has("job-queued-for-marker"))
}
