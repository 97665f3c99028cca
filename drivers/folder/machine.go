package folder

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"

	"tandem/drivers"
	"tandem/drivers/filejob"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	// ReasonNameTaken is why a run cannot begin while a file of its name lies in the folder.
	ReasonNameTaken = "x-file-name-taken-error"
	// reasonConnecting is why a run cannot begin while the share is away.
	reasonConnecting = "connecting-to-device"
	// beginWithin is how long a file may take to get its name; after that the start is stale.
	beginWithin = 30 * time.Second
)

// note is what is kept of a run for the next start of the driver.
type note struct {
	Name string  `json:"name"` // as dropped
	Temp string  `json:"temp"` // whole path until then
	Done *sign   `json:"done,omitempty"`
	Fail *sign   `json:"fail,omitempty"`
	Old  []entry `json:"old,omitempty"` // signs that lay there before
}

// machine is the folder and whatever watches it.
type machine struct {
	config
	share share
	env   drivers.Env
	desk  *filejob.Desk
	ctx   context.Context // of the present Run
	end   context.CancelFunc

	turn   chan struct{} // room for one: something is asked of the share that has not come back, of this Run or an earlier one
	asked  int           // answers that the desk's goroutine waits for
	anchor anchor        // who has the turn may touch it
	work   *work         // the run under way; nil: none
	next   time.Time     // when the folder is looked at again
	seen   seen          // what Open has found
	away   time.Time     // since when the share has been away; zero: it is there
}

// work is a run under way.
type work struct {
	note
	job      *filejob.Job
	begun    time.Time // when it was to get its name
	dropped  bool      // it has its name
	taken    bool      // it has been seen to be gone from its name
	missed   int       // times in a row that it was not there
	withdraw bool      // a stop wants it back
	stopped  time.Time // when that came to nothing; zero: it has not
}

// seen is what a look at the folder has found.
type seen struct {
	err                                 error
	temp, there, anchored, done, failed bool
}

// Open implements filejob.Machine.
func (m *machine) Open(ctx context.Context, d *filejob.Desk) error {
	m.desk, m.work, m.away, m.next, m.asked = d, nil, time.Time{}, time.Time{}, 0
	m.ctx, m.end = context.WithCancel(ctx)
	var n note
	if d.Job.Live() {
		n, _ = filejob.ReadNote[note](d.Job) // where there is none, Fate says that nobody knows
	}
	var err error
	if m.seen, err = within(ctx, m, func() (seen, error) {
		if err := m.loadAnchor(); err != nil {
			return seen{}, err
		}
		s := m.observe(n)
		if s.err == nil && !s.anchored && n.Name != "" {
			s.err = m.noAnchor()
		}
		return s, s.err
	}); err != nil {
		m.end()
		return fmt.Errorf("look at the folder: %w", err)
	}
	if m.notify {
		m.watch()
	}
	return nil
}

var errHangs = errors.New("the share does not answer")

// within asks something of the share and waits for it, at most as long as a share may be away.
func within[T any](ctx context.Context, m *machine, what func() (T, error)) (T, error) {
	type out struct {
		value T
		err   error
	}
	patience := time.NewTimer(m.lostAfter)
	defer patience.Stop()
	var none T
	select {
	case m.turn <- struct{}{}:
	case <-patience.C:
		return none, errHangs
	case <-ctx.Done():
		return none, ctx.Err()
	}
	answer := make(chan out, 1)
	go func() {
		defer func() { <-m.turn }()
		value, err := what()
		answer <- out{value, err}
	}()
	select {
	case o := <-answer:
		return o.value, o.err
	case <-patience.C:
		return none, errHangs
	case <-ctx.Done():
		return none, ctx.Err()
	}
}

// then asks something of the share when its turn comes, however long it may take, and goes on with the answer in the desk's
// goroutine; next may be nil.
func then[T any](m *machine, what func() T, next func(T)) {
	ctx, post := m.ctx, m.desk.Post()
	if next != nil {
		m.asked++
	}
	go func() {
		select {
		case m.turn <- struct{}{}:
		case <-ctx.Done():
			return
		}
		answer := what()
		<-m.turn
		if next != nil {
			post(ctx, func() {
				m.asked--
				next(answer)
			})
		}
	}()
}

// discard removes a file that nobody else knows. One that stays is written over by the next of its name.
func (m *machine) discard(name string) {
	then(m, func() error { return m.share.remove(name) }, nil)
}

func (m *machine) path(name string) string { return filepath.Join(m.folder, name) }

// observe looks at the folder, and for what concerns a run.
func (m *machine) observe(n note) seen {
	files, err := m.share.list(m.folder)
	if err != nil {
		return seen{err: err}
	}
	var s seen
	if s.anchored, err = m.anchored(files); err != nil {
		return seen{err: err}
	}
	s.there = n.Name != "" && holds(files, n.Name)
	if n.Temp != "" {
		if s.temp, err = m.has(n.Temp); err != nil {
			return seen{err: err}
		}
	}
	if s.done, s.err = m.shows(n.Done, n.Old); s.err == nil {
		s.failed, s.err = m.shows(n.Fail, n.Old)
	}
	return s
}

// shows says whether there is a sign that was not there before.
func (m *machine) shows(s *sign, old []entry) (bool, error) {
	files, err := m.signs(s)
	return slices.ContainsFunc(files, func(f entry) bool { return !slices.ContainsFunc(old, f.same) }), err
}

// has says whether there is a file.
func (m *machine) has(name string) (bool, error) {
	files, err := m.share.list(filepath.Dir(name))
	if err != nil {
		return false, err
	}
	return holds(files, filepath.Base(name)), nil
}

func holds(files []entry, name string) bool {
	return slices.ContainsFunc(files, func(f entry) bool { return strings.EqualFold(f.Name, name) })
}

// signs returns the files that are a sign. A folder of signs that is not there yet has none.
func (m *machine) signs(s *sign) ([]entry, error) {
	if s == nil {
		return nil, nil
	}
	files, err := m.share.list(s.Dir)
	if errors.Is(err, fs.ErrNotExist) && s.Dir != filepath.Clean(m.folder) {
		return nil, nil
	}
	var out []entry
	for _, f := range files {
		if s.matches(f.Name) {
			out = append(out, f)
		}
	}
	return out, err
}

// Fate implements filejob.Machine.
func (m *machine) Fate(job *filejob.Job) filejob.Fate {
	n, err := filejob.ReadNote[note](job)
	if err != nil {
		return filejob.Unclear
	}
	m.work = &work{note: n, job: job, dropped: true}
	s := m.seen
	switch {
	case s.temp && !s.there && !s.done && !s.failed && !job.Starting && !job.Stopping: // the name was lost with the power; see nameLasts
		m.work = nil
		m.discard(n.Temp)
		return filejob.Unclear
	case !job.Starting, s.there, s.done, s.failed:
		if !job.Handed && !job.Starting {
			job.Handed, job.Sent = true, job.Size
		}
		return filejob.GoesOn
	case s.temp: // it never got its name
		m.work = nil
		m.discard(n.Temp)
		return filejob.NeverBegun
	}
	m.work = nil
	return filejob.Unclear
}

// Close implements filejob.Machine.
func (m *machine) Close() { m.end() }

// Release implements filejob.Machine.
func (m *machine) Release(*filejob.Job) { m.work = nil }

// Idle implements filejob.Machine: an idle share is looked at now and then, so that one that is away shows.
func (m *machine) Idle() time.Duration {
	now := m.desk.Now()
	if m.rehearses() {
		return -1
	}
	every := max(m.poll, m.lostAfter/2)
	if wait := m.next.Sub(now); wait > 0 {
		return wait
	}
	m.next = now.Add(every)
	if m.lostFor(now) {
		return -1
	}
	then(m, func() error { _, err := m.share.list(m.folder); return err }, func(err error) { m.heardOf(err) })
	return every
}

// heardOf notes whether the share is there.
func (m *machine) heardOf(err error) bool {
	switch now := m.desk.Now(); {
	case err == nil:
		m.away = time.Time{}
	case m.away.IsZero():
		m.away = now
		m.env.Log.Debug("the share is away", zap.Error(err))
	case now.Sub(m.away) >= m.lostAfter:
		m.desk.Lose(fmt.Errorf("look at the folder: %w", err))
	}
	return err == nil
}

// lostFor says whether the share owes an answer for too long, and gives it up then.
func (m *machine) lostFor(now time.Time) bool {
	if m.asked == 0 && len(m.turn) == 0 {
		return false
	}
	if m.away.IsZero() {
		m.away = now
	} else if now.Sub(m.away) >= m.lostAfter {
		m.desk.Lose(fmt.Errorf("look at the folder: %w", errHangs))
		return true
	}
	return false
}

// finish ends the work on a run.
func (m *machine) finish(state tandemv1.JobState, reasons ...string) {
	m.work = nil
	m.desk.Finish(state, reasons...)
}

// Prepare implements filejob.Machine: it writes the file under a temporary name, which nobody takes.
func (m *machine) Prepare(ctx context.Context, g *driverv1.Grant, file *filejob.File) (filejob.Start, error) {
	value := values(m.env.Device, g, file.Name)
	name, err := expand(m.name, value)
	if err != nil {
		return filejob.Start{}, err
	}
	name = safeName(name)
	n := note{Name: name, Temp: m.path("." + name + ".part")}
	if m.staging != "" {
		n.Temp = filepath.Join(m.staging, name)
	}
	if n.Done, err = newSign(m.doneFile, m.folder, withName(value, name)); err != nil {
		return filejob.Start{}, err
	}
	if n.Fail, err = newSign(m.failFile, m.folder, withName(value, name)); err != nil {
		return filejob.Start{}, err
	}
	if m.done != doneFile {
		n.Done = nil
	}
	wanted, enough := context.WithCancel(ctx)
	defer enough() // a share that takes the file later than somebody waits for it would keep it for ever
	staged := n
	if n, err = within(ctx, m, func() (note, error) { return m.stage(wanted, staged, file.Body) }); err != nil {
		if errors.Is(err, errHangs) {
			err = &filejob.Trouble{Reason: reasonConnecting, Err: err}
		}
		return filejob.Start{}, err
	}
	return filejob.Start{
		Size: int64(len(file.Body)), Note: n,
		Begin:   func(job *filejob.Job) { m.begin(job, n) },
		Abandon: func() { m.discard(n.Temp) },
	}, nil
}

// stage looks whether the run can begin and writes its file under the temporary name.
func (m *machine) stage(wanted context.Context, n note, body []byte) (note, error) {
	files, err := m.share.list(m.folder)
	if err == nil && holds(files, n.Name) {
		return n, &filejob.Trouble{Reason: ReasonNameTaken, Err: fmt.Errorf("%s lies in %s already: look what it is, and take it away", n.Name, m.folder)}
	}
	if err == nil {
		err = m.dropAnchor(files)
	}
	for _, s := range []*sign{n.Done, n.Fail} {
		var old []entry
		if err == nil {
			old, err = m.signs(s)
		}
		n.Old = append(n.Old, old...)
	}
	if err == nil {
		if err = m.share.write(n.Temp, body); err != nil || wanted.Err() != nil {
			_ = m.share.remove(n.Temp) // half a file, or one that nobody waits for, takes space that the share may lack
		}
	}
	var why *filejob.Trouble
	if err != nil && !errors.As(err, &why) {
		err = &filejob.Trouble{Reason: reasonConnecting, Err: fmt.Errorf("write into the folder: %w", err)}
	}
	return n, err
}
