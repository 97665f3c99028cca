package ipp

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/OpenPrinting/goipp"
	"go.uber.org/zap"

	"tandem/drivers"
	tandemv1 "tandem/proto/tandem/v1"
)

// starvedLooks is how often a job must be seen without the document that was sent to it.
const starvedLooks = 3

// follow asks after every run of which the printer may know.
func (d *device) follow(ctx context.Context, p *printer) error {
	restarted := d.UpTime > 0 && p.upTime >= 0 && p.upTime < d.UpTime
	var forgotten []*run
	for _, r := range slices.Clone(d.Runs) {
		if r.ended() || r.Done || r.Phase == waiting || r.Phase == creating {
			continue
		}
		j, err := d.lookup(ctx, r, restarted)
		switch {
		case err != nil:
			return err
		case j != nil:
			was := r.Lost
			r.Lost = false
			d.apply(r, j, p)
			if was && !r.Lost {
				d.env.Log.Info("the printer knows the run again", zap.String("run", r.Run))
			} else if r.Lost && !was {
				d.env.Log.Warn("the printer has completed a run whose document may not have arrived whole: a person must say what it made",
					zap.String("run", r.Run), zap.Int("job", j.id))
			}
		case r.Phase == created && r.Given == 0:
			r.Phase, r.Job = waiting, 0 // it had no document, so nothing is lost
		case r.Job == 0 && r.work != nil && r.work.sends && !restarted: // a printer may tell of a job once it has all of it
		case r.Lost:
		case restarted:
			forgotten = append(forgotten, r)
		default:
			d.lose(r)
		}
	}
	d.UpTime = p.upTime
	if len(forgotten) == 0 {
		return nil
	}
	for _, r := range forgotten {
		if r.work != nil {
			r.work.cancel()
		}
	}
	d.Runs = slices.DeleteFunc(d.Runs, func(r *run) bool { return slices.Contains(forgotten, r) })
	return fmt.Errorf("printer at %s has been restarted and does not know run %s: %w", d.client.uri, forgotten[0].Run, drivers.ErrDeviceReset)
}

// unknownJob are the answers of a printer that does not know a job's number.
var unknownJob = []goipp.Status{goipp.StatusErrorNotFound, goipp.StatusErrorGone, goipp.StatusErrorNotPossible}

// lookup returns a run's job: by its number, if that is still its own, and by its name. Nil: the printer does not know it.
func (d *device) lookup(ctx context.Context, r *run, restarted bool) (*job, error) {
	if r.Job > 0 {
		j, err := d.client.job(ctx, r.Job)
		if status, ok := refused(err); ok {
			if !slices.Contains(unknownJob, status) {
				return nil, err
			}
		} else if err != nil {
			return nil, err
		} else if d.owns(r, j.name) || j.name == "" && !restarted { // one that hides its name has the number that we were told
			return j, nil
		}
	}
	if r.Lost {
		return nil, nil //nolint:nilnil // no job and no fault: it has been looked for by its name before
	}
	return d.lookupName(ctx, r)
}

// lookupName returns the job that has a run's name: a live one before an ended one, a completed one before others.
func (d *device) lookupName(ctx context.Context, r *run) (*job, error) {
	var best *job
	for _, which := range []string{"not-completed", "completed"} {
		jobs, err := d.client.jobs(ctx, which)
		if status, ok := refused(err); ok && which == "completed" &&
			(status == goipp.StatusErrorAttributesOrValues || status == goipp.StatusErrorNotFound) {
			break // it keeps no history
		}
		if err != nil {
			return nil, err
		}
		for _, j := range jobs {
			if d.owns(r, j.name) && (best == nil || j.state == tandemv1.JobState_JOB_STATE_COMPLETED && best.state != j.state) {
				best = j
			}
		}
		if best != nil {
			break
		}
	}
	return best, nil
}

// lose notes that nobody knows what became of a run.
func (d *device) lose(r *run) {
	if r.Lost {
		return
	}
	d.env.Log.Warn("the printer does not know the run any more: a person must say what became of it",
		zap.String("run", r.Run), zap.Int("job", r.Job))
	if r.work != nil {
		r.work.cancel()
	}
	r.unknown()
}

func (r *run) unknown() {
	r.Lost = true
	r.State, r.Reasons = tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, []string{drivers.ReasonOutcomeUnknown}
}

// apply takes the printer's word on a run.
func (d *device) apply(r *run, j *job, p *printer) {
	now := d.env.Clock.Now()
	r.Job = j.id
	r.preparing = j.preparing()
	r.count(j, d.settings.perCopy)
	begins := func() {
		if r.Start.IsZero() {
			r.Start = before(now, j.begun)
		}
	}
	switch j.state {
	case tandemv1.JobState_JOB_STATE_PENDING, tandemv1.JobState_JOB_STATE_PENDING_HELD:
		if r.starves(j) {
			r.Phase, r.Broken = cut, true
		}
		r.Reasons = append([]string{"queued-in-device"}, j.reasons...)
		if p.stands() {
			r.Reasons = append(r.Reasons, "printer-stopped")
		}
		r.State = j.state
		if !r.Start.IsZero() { // it had begun, and begins anew or goes on some time
			r.State = tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED
		}
	case tandemv1.JobState_JOB_STATE_PROCESSING:
		begins()
		r.State, r.Reasons = j.state, j.reasons
		if p.stands() {
			r.State = tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED
			r.Reasons = append([]string{"printer-stopped"}, j.reasons...)
		}
	case tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED:
		begins()
		r.State, r.Reasons = j.state, j.reasons
	case tandemv1.JobState_JOB_STATE_CANCELED, tandemv1.JobState_JOB_STATE_ABORTED:
		d.end(r, j.state, j.reasons, before(now, j.ended))
	case tandemv1.JobState_JOB_STATE_COMPLETED:
		d.complete(r, j, now)
	case tandemv1.JobState_JOB_STATE_UNSPECIFIED: // readJob refuses it
	}
}

// starves says whether a job has waited for some time for a document that nobody sends any more. It is ended rather than
// served again: what was sent before may still be on its way, and would then be printed twice.
func (r *run) starves(j *job) bool {
	if r.work != nil || r.Phase != sending && r.Phase != sent || !j.lacksDocuments() {
		r.starved = 0
		return false
	}
	r.starved++
	return r.starved > starvedLooks
}

// complete takes a job that has been printed, if all of its documents were.
func (d *device) complete(r *run, j *job, now time.Time) {
	whole := r.Phase == sent
	if r.Phase == sending && r.work == nil { // the answer was lost: the printer says how much it has got
		whole = r.KOctets > 0 && j.kOctets >= r.KOctets
	}
	if r.work != nil { // it is being sent, and the answer comes any time
		return
	}
	if !whole {
		r.unknown()
		return
	}
	if r.Start.IsZero() {
		r.Start = before(now, j.begun)
	}
	r.End = before(now, j.ended)
	if !slices.Contains(j.reasons, "job-completed-with-errors") || j.done < 0 {
		r.Good = r.Pieces
	}
	r.Share, r.Done, r.Reasons = 1, true, j.reasons
	d.ripen(r, now)
}

// ripen ends a run that the printer has finished, once it is ready.
func (d *device) ripen(r *run, now time.Time) {
	switch {
	case !r.Done || r.ended():
	case now.Before(r.Ready) && r.Stop:
		d.end(r, tandemv1.JobState_JOB_STATE_CANCELED, nil, now)
	case now.Before(r.Ready):
		r.State = tandemv1.JobState_JOB_STATE_PROCESSING
	default:
		d.end(r, tandemv1.JobState_JOB_STATE_COMPLETED, r.Reasons, later(r.End, r.Ready))
	}
}

// end ends a run, once.
func (d *device) end(r *run, state tandemv1.JobState, reasons []string, at time.Time) {
	if r.ended() {
		return
	}
	if r.Broken && !r.Stop && state == tandemv1.JobState_JOB_STATE_CANCELED {
		state, reasons = tandemv1.JobState_JOB_STATE_ABORTED, []string{"submission-interrupted"}
	}
	r.State, r.Reasons, r.End = state, reasons, later(at, r.Start)
	if r.work != nil {
		r.work.cancel()
	}
}

// count takes what the printer tells of how much is done. It does not go back.
func (r *run) count(j *job, perCopy bool) {
	if j.done < 0 || r.Pieces == 0 {
		return
	}
	one := max(j.whole, 1)
	all := one
	if perCopy {
		all = one * int(r.Pieces)
	}
	if j.whole < 1 && !perCopy {
		return // nobody knows what it is a part of
	}
	share := min(float64(j.done)/float64(all), 1)
	r.Share = max(r.Share, share)
	r.Good = max(r.Good, int32(math.Floor(share*float64(r.Pieces)+1e-9)))
}

// before is when something was that the printer says was some seconds ago.
func before(now time.Time, seconds int) time.Time {
	return now.Add(-time.Duration(max(seconds, 0)) * time.Second)
}

func later(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}
