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

// work is what is done for a run beside the loop, because it can take long: to read its documents, or to send them.
type work struct {
	run    *run
	docs   []*file
	sends  bool // else it reads
	id     int  // of a job that the printer has told while it was sent
	err    error
	cancel context.CancelFunc
}

func (w *work) progress() (n int64) {
	for _, f := range w.docs {
		n += f.read.Load()
	}
	return n
}

// whole says whether the last byte has left.
func (w *work) whole() bool {
	return !slices.ContainsFunc(w.docs, func(f *file) bool { return f.read.Load() < f.length })
}

// begin does something beside the loop, which hears of its end.
func (d *device) begin(ctx context.Context, w *work, do func(context.Context) error) {
	ctx, w.cancel = context.WithCancel(ctx)
	w.run.work = w
	works := d.works
	go func() {
		defer w.cancel()
		w.err = do(ctx)
		works <- w // there is room for one of each run
	}()
}

// advance does what can be done for each run now: stops what must stop, and starts what may start.
func (d *device) advance(ctx context.Context) error {
	now := d.env.Clock.Now()
	for _, r := range d.Runs {
		d.ripen(r, now)
		switch {
		case r.ended():
		case r.Stop:
			if err := d.stop(ctx, r); err != nil {
				return err
			}
		case r.Phase == cut && r.Broken && !r.Lost:
			d.giveUp(ctx, r)
		case r.Phase == waiting || r.Phase == creating || r.Phase == created:
			if why := d.heldBack(r); why != "" {
				r.Reasons = []string{why}
			} else if r.read == nil {
				d.start(ctx, r)
			} else if err := d.submitRead(ctx, r); err != nil {
				return err
			}
		}
	}
	return nil
}

// heldBack says why a run cannot start now, or nothing.
func (d *device) heldBack(r *run) string {
	p := d.printer
	busy := 0
	for _, o := range d.Runs {
		if o != r && (o.atPrinter() || o.work != nil) {
			busy++
		}
	}
	media := d.settings.media[r.grant.GetMedia()]
	limit := r.grant.GetStartBefore()
	switch {
	case r.work != nil:
		return "job-incoming"
	case !r.mayStart || limit != nil && d.env.Clock.Now().After(limit.AsTime()):
		return drivers.ReasonAwaitingStart
	case p.stands():
		return "printer-stopped"
	case !p.accepting:
		return "x-not-accepting-jobs"
	case busy >= max(d.env.Capacity, 1) || busy == 0 && r.Phase != created && p.state == tandemv1.DeviceState_DEVICE_STATE_PROCESSING:
		return "x-other-work" // ours waits until the printer is free, so that it does not begin hours later by itself
	case media != "" && len(p.ready) > 0 && !slices.Contains(p.ready, media):
		return "x-media-mismatch"
	}
	return ""
}

// start reads the documents of a run that may start. What follows is in finish and submitRead.
func (d *device) start(ctx context.Context, r *run) {
	docs, err := d.documents(r)
	if err != nil {
		d.refuse(r, err)
		return
	}
	w := &work{run: r, docs: docs}
	d.begin(ctx, w, func(ctx context.Context) error {
		for _, f := range docs {
			if err := f.check(ctx); err != nil {
				return err
			}
		}
		return nil
	})
	r.Reasons = []string{"job-incoming"}
}

var errNoDocument = errors.New("the run names no document to print")

// documents finds what a run prints.
func (d *device) documents(r *run) ([]*file, error) {
	var out []*file
	for _, doc := range r.grant.GetDocuments() {
		if doc.GetRole() != d.settings.role {
			continue
		}
		f, err := d.settings.locate(doc)
		if err != nil {
			return nil, err
		}
		out = append(out, f)
	}
	if len(out) == 0 && d.settings.standby != "" {
		f, err := d.settings.locate(&tandemv1.Document{Uri: d.settings.standby})
		if err != nil {
			return nil, fmt.Errorf("setting default-document: %w", err)
		}
		out = append(out, f)
	}
	switch {
	case len(out) == 0:
		return nil, fmt.Errorf("%w: give it one of the role %s, or set default-document", errNoDocument, d.settings.role)
	case len(out) > 1 && (!d.printer.several || !d.printer.creates):
		return nil, fmt.Errorf("%w: it names %d of the role %s, and the printer takes one in a job: join them to one file",
			errNoDocument, len(out), d.settings.role)
	}
	return out, nil
}

// refuse ends a run of which nothing has been printed, because it cannot be.
func (d *device) refuse(r *run, err error) {
	why := "aborted-by-system"
	status, _ := refused(err)
	switch {
	case errors.Is(err, errMismatch):
		why = "x-document-mismatch"
	case errors.Is(err, errAccess), errors.Is(err, errNoDocument):
		why = "document-access-error"
	case status == goipp.StatusErrorDocumentFormatNotSupported:
		why = "unsupported-document-format"
	case status == goipp.StatusErrorAttributesOrValues, status == goipp.StatusErrorConflicting:
		why = "unsupported-attributes-or-values"
	}
	d.env.Log.Error("run not printed", zap.String("run", r.Run), zap.String("reason", why), zap.Error(err))
	r.Broken = false
	d.end(r, tandemv1.JobState_JOB_STATE_ABORTED, []string{why}, d.env.Clock.Now())
}

// putOff says whether a refusal is for now only.
func putOff(status goipp.Status) bool {
	return slices.Contains([]goipp.Status{
		goipp.StatusErrorBusy, goipp.StatusErrorTemporary, goipp.StatusErrorServiceUnavailable, goipp.StatusErrorNotAcceptingJobs,
		goipp.StatusErrorPrinterIsDeactivated, goipp.StatusErrorTooManyJobs, goipp.StatusErrorDevice, goipp.StatusErrorTimeout,
	}, status)
}

// submit brings a run whose documents have been read to the printer. A fault on the way leaves it where its phase says.
func (d *device) submit(ctx context.Context, w *work) error {
	r := w.run
	p, err := d.client.printer(ctx) // what was seen last may be old
	if err != nil {
		return err
	}
	d.printer = p
	if why := d.heldBack(r); why != "" {
		r.Reasons = []string{why}
		return nil
	}
	t := d.ticket(r, w.docs[0])
	if r.Phase == waiting {
		if err := d.client.validate(ctx, t); err != nil {
			return err
		}
	}
	if r.Phase != created { // is it there already, whatever we remember?
		j, err := d.lookupName(ctx, t.name)
		if err != nil {
			return err
		}
		switch {
		case j == nil, r.Phase == creating && drivers.Ended(j.state):
		case j.lacksDocuments():
			r.Phase, r.Job = created, j.id
		default:
			d.env.Log.Info("the printer has the run already", zap.String("run", r.Run), zap.Int("job", j.id))
			r.Phase, r.Job = sent, j.id
			d.apply(r, j, p)
			return nil
		}
	}
	if !p.creates {
		return d.sendAll(ctx, w, t)
	}
	if r.Phase != created {
		r.Phase = creating
		if err := d.keep(); err != nil {
			return err
		}
		j, err := d.client.create(ctx, t)
		if err != nil {
			if _, ok := refused(err); ok {
				r.Phase = waiting
			}
			return err
		}
		r.Phase, r.Job = created, j.id
	}
	return d.sendAll(ctx, w, t)
}

func (d *device) ticket(r *run, first *file) ticket {
	t := ticket{
		name: d.jobName(r.Run, r.Fence), format: first.format(),
		media: d.settings.media[r.grant.GetMedia()], quality: d.settings.quality[r.grant.GetMode()],
	}
	if d.settings.perCopy {
		t.copies = max(r.Pieces, 1)
	}
	return t
}

// sendAll sends the documents, beside the loop.
func (d *device) sendAll(ctx context.Context, w *work, t ticket) error {
	r := w.run
	var total int64
	for _, f := range w.docs {
		total += f.length
	}
	r.Phase, r.KOctets = sending, int((total+1023)/1024)
	if err := d.keep(); err != nil {
		return err
	}
	id := r.Job
	next := &work{run: r, docs: w.docs, sends: true}
	d.begin(ctx, next, func(ctx context.Context) error {
		if id == 0 {
			j, err := d.client.print(ctx, t, w.docs[0])
			if err == nil {
				next.id = j.id
			}
			return err
		}
		for i, f := range w.docs {
			if err := d.client.document(ctx, id, f, i == len(w.docs)-1); err != nil {
				return err
			}
		}
		return nil
	})
	return nil
}
