package ipp

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/OpenPrinting/goipp"
	"go.uber.org/zap"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// work is what is done for a run beside the loop, because it can take long: to read its documents, or to send them.
type work struct {
	run    *run
	docs   []*file
	found  []*file // what was read, for docs once it ends
	sends  bool    // else it reads
	given  int     // how many of docs the printer has taken
	id     int     // of a job that the printer has told while it was sent
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

// kOctets is the size of the documents as a printer tells it.
func (w *work) kOctets() int {
	var total int64
	for _, f := range w.docs {
		total += f.length
	}
	return int((total + 1023) / 1024)
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
	case d.unkept:
		return drivers.ReasonNotStored
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
	w := &work{run: r}
	g, p := r.grant, d.printer
	d.begin(ctx, w, func(ctx context.Context) error { // a share that hangs does not keep a stop waiting
		docs, err := d.settings.locateAll(g, p)
		if err != nil {
			return err
		}
		w.found = docs
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

// locateAll finds what a run prints.
func (s *settings) locateAll(g *driverv1.Grant, p *printer) ([]*file, error) {
	var out []*file
	for _, doc := range g.GetDocuments() {
		if doc.GetRole() != s.role {
			continue
		}
		f, err := s.locate(doc)
		if err != nil {
			return nil, err
		}
		out = append(out, f)
	}
	if len(out) == 0 && s.standby != "" {
		f, err := s.locate(&tandemv1.Document{Uri: s.standby})
		if err != nil {
			return nil, fmt.Errorf("setting default-document: %w", err)
		}
		out = append(out, f)
	}
	switch {
	case len(out) == 0:
		return nil, fmt.Errorf("%w: give it one of the role %s, or set default-document", errNoDocument, s.role)
	case len(out) > 1 && (!p.several || !p.creates):
		return nil, fmt.Errorf("%w: it names %d of the role %s, and the printer takes one in a job: join them to one file",
			errNoDocument, len(out), s.role)
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
	if r.Given > 0 { // some of it may be printed: the printer is asked to end the job, and tells how it has ended
		r.Phase, r.Broken = cut, true
		return
	}
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
	// Is it there already, whatever we remember?
	j, err := d.lookupBefore(ctx, r)
	if err != nil {
		return err
	}
	switch {
	case j == nil && r.Phase == created:
		d.env.Log.Info("the printer has forgotten a job without its document", zap.String("run", r.Run), zap.Int("job", r.Job))
		return nil // the next poll says what that means
	case j == nil, r.Phase == creating && drivers.Ended(j.state) && j.state != tandemv1.JobState_JOB_STATE_COMPLETED:
	case j.lacksDocuments() || r.Phase == created && j.awaits(r.Given):
		r.Phase, r.Job = created, j.id
	default: // whether all of it has arrived is the printer's word
		d.env.Log.Info("the printer has the run already", zap.String("run", r.Run), zap.Int("job", j.id))
		r.Phase, r.Job, r.KOctets = sending, j.id, w.kOctets()
		d.apply(r, j, p)
		return nil
	}
	if !p.creates {
		return d.sendAll(ctx, w, t)
	}
	if r.Phase != created {
		was := r.Phase
		if r.Phase = creating; !d.store() {
			r.Phase, r.Reasons = was, []string{drivers.ReasonNotStored}
			return nil
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

// lookupBefore returns the job of a run that is about to be sent to the printer. Nil: there is none.
func (d *device) lookupBefore(ctx context.Context, r *run) (*job, error) {
	if r.Phase != created {
		return d.lookupName(ctx, r)
	}
	j, err := d.client.job(ctx, r.Job)
	status, isRefused := refused(err)
	switch {
	case isRefused && slices.Contains(unknownJob, status), err == nil && j.name != "" && !d.owns(r, j.name):
		return nil, nil //nolint:nilnil // no job and no fault
	case err != nil:
		return nil, err
	}
	return j, nil
}

func (d *device) ticket(r *run, first *file) ticket {
	t := ticket{
		name: d.jobName(r), format: first.format(),
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
	was := r.Phase
	r.Phase, r.KOctets = sending, w.kOctets()
	if !d.store() {
		r.Phase, r.Reasons = was, []string{drivers.ReasonNotStored}
		return nil
	}
	id, given := r.Job, r.Given
	next := &work{run: r, docs: w.docs, sends: true, given: given}
	d.begin(ctx, next, func(ctx context.Context) error {
		if id == 0 {
			j, err := d.client.print(ctx, t, w.docs[0])
			if err == nil {
				next.id = j.id
			}
			return err
		}
		for i, f := range w.docs {
			if i < given { // taken before the printer put the others off
				continue
			}
			if err := d.client.document(ctx, id, f, i == len(w.docs)-1); err != nil {
				return err
			}
			next.given = i + 1
		}
		return nil
	})
	return nil
}
