package ipp

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/OpenPrinting/goipp"
	"go.uber.org/zap"

	"tandem/drivers"
	tandemv1 "tandem/proto/tandem/v1"
)

// finish hears the end of what was done beside the loop.
func (d *device) finish(w *work) {
	r := w.run
	if r.work != w {
		return
	}
	r.work = nil
	if r.ended() || r.Lost {
		return
	}
	if !w.sends {
		switch {
		case w.err == nil:
			w.docs, r.read = w.found, w
		case !errors.Is(w.err, context.Canceled):
			d.refuse(r, w.err)
		}
		return
	}
	status, isRefused := refused(w.err)
	r.Given = w.given
	switch {
	case w.err == nil:
		r.Phase = sent
		if w.id > 0 {
			r.Job = w.id
		}
	case isRefused && putOff(status):
		d.env.Log.Info("the printer puts a run off", zap.String("run", r.Run), zap.Error(w.err))
		if r.Phase = created; r.Job == 0 {
			r.Phase = waiting
		}
	case isRefused && r.Job == 0: // Print-Job: no job has been made
		d.refuse(r, w.err)
	case isRefused:
		d.env.Log.Error("the printer refuses the document", zap.String("run", r.Run), zap.Error(w.err))
		r.Phase, r.Broken = cut, true
		if status == goipp.StatusErrorNotPossible || status == goipp.StatusErrorNotFound || status == goipp.StatusErrorJobCanceled {
			r.Broken = false // somebody has ended the job meanwhile: the printer tells how
		}
	case errors.Is(w.err, errNotSent) && r.Job == 0: // Print-Job: no job has been made
		d.refuse(r, w.err)
	case errors.Is(w.err, errMismatch), errors.Is(w.err, errAccess):
		d.env.Log.Error("the document changed while it was sent", zap.String("run", r.Run), zap.Error(w.err))
		r.Phase, r.Broken = cut, true
	case w.whole():
		// The last byte may lie in this computer's own buffers: it stays sending, and whether it has arrived is the printer's word.
		d.env.Log.Info("the answer to a document is lost; the printer will tell", zap.String("run", r.Run), zap.Error(w.err))
	default:
		d.env.Log.Warn("a document has not arrived whole", zap.String("run", r.Run), zap.Error(w.err))
		r.Phase, r.Broken = cut, !r.Stop
	}
}

// submitRead brings a run whose documents have been read to the printer.
func (d *device) submitRead(ctx context.Context, r *run) error {
	w := r.read
	r.read = nil
	err := d.submit(ctx, w)
	status, isRefused := refused(err)
	switch {
	case err == nil:
		return nil
	case isRefused && putOff(status):
		r.Reasons = []string{"x-other-work"}
		return nil
	case isRefused && slices.Contains([]goipp.Status{
		goipp.StatusErrorNotAuthorized, goipp.StatusErrorNotAuthenticated, goipp.StatusErrorForbidden,
	}, status):
		return fmt.Errorf("printer at %s: %w: %w", d.client.uri, errLogin, err)
	case isRefused:
		d.refuse(r, err)
		return nil
	case errors.Is(err, errLogin):
		return fmt.Errorf("printer at %s: %w", d.client.uri, err)
	}
	// The next poll says whether the printer is lost. What may be there already is looked up before it is asked again.
	d.env.Log.Info("a run is not at the printer yet", zap.String("run", r.Run), zap.Error(err))
	return nil
}

// stop ends a run early, as the daemon has asked.
func (d *device) stop(ctx context.Context, r *run) error {
	switch {
	case r.Lost: // nothing is there that anybody can find, and nobody knows what it made
		d.end(r, tandemv1.JobState_JOB_STATE_CANCELED, []string{"job-canceled-by-operator", drivers.ReasonOutcomeUnknown}, d.env.Clock.Now())
		return nil
	case r.Phase == waiting: // nothing is there
		if r.work != nil {
			r.work.cancel()
		}
		d.end(r, tandemv1.JobState_JOB_STATE_CANCELED, nil, d.env.Clock.Now())
		return nil
	case r.Phase == creating && r.work == nil: // a job without documents may be there: it prints nothing
		j, err := d.lookupName(ctx, r)
		if err != nil {
			return err
		}
		if j == nil {
			d.end(r, tandemv1.JobState_JOB_STATE_CANCELED, nil, d.env.Clock.Now())
			return nil
		}
		r.Phase, r.Job = created, j.id
	case r.Job == 0: // Print-Job is under way: the connection is all there is
		if r.work != nil {
			r.work.cancel()
		}
		return nil
	}
	return d.cancelJob(ctx, r)
}

// cancelJob asks the printer to end a job, once. That it has ended is what the printer says afterwards.
func (d *device) cancelJob(ctx context.Context, r *run) error {
	if r.asked || r.Job == 0 {
		return nil
	}
	j, err := d.client.job(ctx, r.Job)
	if err == nil && j.name != "" && !d.owns(r, j.name) {
		return nil // the printer was restarted and has given the number to a job of others; the next poll says so
	}
	err = d.client.cancel(ctx, r.Job)
	status, isRefused := refused(err)
	switch {
	case err == nil:
		r.asked = true
	case isRefused && status == goipp.StatusErrorNotPossible: // it has ended, or is about to
	case isRefused && status == goipp.StatusErrorNotFound:
	case isRefused:
		d.env.Log.Error("the printer does not let us cancel a job", zap.String("run", r.Run), zap.Int("job", r.Job), zap.Error(err))
		r.asked = true
	default: // it is asked again at the next poll, which says whether the printer is lost
		return nil
	}
	if r.work != nil && r.Phase == sending {
		r.work.cancel()
	}
	return nil
}

// giveUp ends a job whose document is not whole: nothing good comes of it.
func (d *device) giveUp(ctx context.Context, r *run) {
	r.Broken = true
	if err := d.cancelJob(ctx, r); err != nil {
		d.env.Log.Info("a job is not canceled yet", zap.String("run", r.Run), zap.Error(err))
	}
}
