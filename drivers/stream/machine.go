package stream

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"tandem/drivers"
	"tandem/drivers/filejob"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	reasonConnecting = "connecting-to-device"
	reasonHeld       = "x-held-at-device"
	reasonNoProgress = "x-no-progress-warning"
	// closeWait is how long, in floor time, a device may take to close a connection that has been ended behind the last byte.
	closeWait = 10 * time.Second
)

// opener opens a line.
type opener func(ctx context.Context) (line, error)

func (c *config) opener() opener {
	switch {
	case c.rehearses():
		return func(context.Context) (line, error) { return newEmpty(), nil }
	case c.port != "":
		return func(context.Context) (line, error) { return openSerial(c) }
	}
	return func(ctx context.Context) (line, error) { return dial(ctx, c.address, c.lostAfter) }
}

// machine is the device behind a line. A socket is opened for a run; a serial line stays open.
type machine struct {
	config
	env  drivers.Env
	open opener
	desk *filejob.Desk
	ctx  context.Context // of the present Run
	call context.CancelFunc

	line    *connection // nil: none is open
	checked time.Time   // when the idle device was last asked whether it is there
	asking  bool
	work    *work // the run under way; nil: none
}

// connection is an open line with the goroutine that listens on it.
type connection struct {
	line
	held  atomic.Bool // by XOFF
	close context.CancelFunc
}

// work is a run under way.
type work struct {
	job      *filejob.Job
	body     []byte
	sender   *sender // nil: it has ended
	callBack context.CancelFunc

	sent     int64     // at the last look
	moved    time.Time // when that last changed
	handed   time.Time // zero: not yet
	closed   bool      // by the device, while the last bytes were on their way
	answered bool      // that it is done, while they were or while it was told to stop
	cut      bool      // the connection was reset while the device was told to stop
	released bool      // the device goes on alone, without a connection
	stopped  time.Time // when the last byte of a stopped run left; zero: not stopped
	stopping bool
	lostAt   time.Time // when the connection was lost; zero: it is there
}

// note is what is kept of a run for the next start of the driver.
type note struct {
	Released bool `json:"released"`
}

// Open implements filejob.Machine.
func (m *machine) Open(ctx context.Context, d *filejob.Desk) error {
	m.desk = d
	m.ctx, m.call = context.WithCancel(ctx)
	m.line, m.work, m.asking = nil, nil, false
	switch {
	case m.port != "":
		l, err := m.open(m.ctx)
		if err != nil {
			m.call()
			return err
		}
		m.listen(l)
	case m.check > 0:
		if err := m.ask(m.ctx); err != nil {
			m.call()
			return err
		}
		m.checked = m.desk.Now()
	}
	return nil
}

// ask says whether the device can be reached.
func (m *machine) ask(ctx context.Context) error {
	l, err := m.open(ctx)
	if err != nil {
		return fmt.Errorf("reach the device: %w", err)
	}
	// Nothing was said on it.
	_ = l.Close()
	return nil
}

// Close implements filejob.Machine.
func (m *machine) Close() {
	if m.work != nil {
		m.work.callBack()
	}
	m.hangUp()
	m.call()
}

func (m *machine) hangUp() {
	if m.line != nil {
		m.line.close()
		m.line = nil
	}
}

// letGo ends the work on a run at this end.
func (m *machine) letGo() {
	if m.work != nil {
		m.work.callBack()
		m.work = nil
	}
	if m.port == "" {
		m.hangUp()
	}
}

// listen makes a line the open one, and hears what the device says on it.
func (m *machine) listen(l line) *connection {
	ctx, cancel := context.WithCancel(m.ctx)
	c := &connection{line: l, close: func() {
		cancel()
		if err := l.Close(); err != nil {
			m.env.Log.Debug("line not closed", zap.Error(err))
		}
	}}
	m.line = c
	post := m.desk.Post()
	go func() {
		err := c.hear(m.flow == flowXON, m.answers.end, func(answer []byte) {
			answer = slices.Clone(answer)
			post(ctx, func() { m.heard(c, answer) })
		})
		post(ctx, func() { m.ended(c, err) })
	}()
	return c
}

// hear reads until the line ends.
func (c *connection) hear(xon bool, end []byte, answer func([]byte)) error {
	const dc1, dc3 = 0x11, 0x13 // XON and XOFF (ISO/IEC 6429 names them DC1 and DC3)
	l := listener{end: end}
	buffer := make([]byte, 4096)
	for {
		n, err := c.Read(buffer)
		said := buffer[:n]
		if xon {
			said = slices.DeleteFunc(said, func(b byte) bool {
				if b == dc1 || b == dc3 {
					c.held.Store(b == dc3)
				}
				return b == dc1 || b == dc3
			})
		}
		l.hear(said, answer)
		if err != nil {
			return err
		}
	}
}

// Fate implements filejob.Machine: only a device that needs no connection works on when its driver has died.
func (m *machine) Fate(job *filejob.Job) filejob.Fate {
	n, err := filejob.ReadNote[note](job)
	if err != nil || !n.Released || !job.Handed || m.done != doneTime {
		return filejob.Unclear
	}
	m.work = &work{job: job, released: true, handed: m.desk.Now(), callBack: func() {}}
	return filejob.GoesOn
}

// Prepare implements filejob.Machine.
func (m *machine) Prepare(ctx context.Context, _ *driverv1.Grant, file *filejob.File) (filejob.Start, error) {
	body := slices.Concat(m.first, file.Body, m.last)
	start := filejob.Start{Size: int64(len(body)), Note: note{}, Abandon: func() {}}
	if m.port != "" {
		start.Begin = func(job *filejob.Job) { m.begin(job, body, m.line) }
		return start, nil
	}
	l, err := m.open(ctx)
	if err != nil {
		if ctx.Err() != nil {
			return filejob.Start{}, ctx.Err()
		}
		return filejob.Start{}, &filejob.Trouble{Reason: reasonConnecting, Err: fmt.Errorf("reach the device: %w", err)}
	}
	start.Begin = func(job *filejob.Job) { m.begin(job, body, m.listen(l)) }
	start.Abandon = func() {
		_ = l.Close() // nothing was said on it
	}
	return start, nil
}

// begin sends. CAUTION: from here on the device may move.
func (m *machine) begin(job *filejob.Job, body []byte, c *connection) {
	m.work = &work{job: job, body: body, moved: m.desk.Now()}
	m.desk.Begun()
	m.send(c, 0)
}

func (m *machine) send(c *connection, from int64) {
	w := m.work
	ran := m.ctx
	ctx, cancel := context.WithCancel(ran)
	s := &sender{
		line: c, pace: m.pace, chunk: m.chunk, lostAfter: m.lostAfter, held: &c.held,
		endWrite: !m.keepOpen || m.done == doneSent, ended: make(chan struct{}),
	}
	w.sender, w.callBack = s, cancel
	post := m.desk.Post()
	go func() {
		err := s.send(ctx, w.body, from)
		close(s.ended)
		post(ran, func() { m.sentAll(w, s, err) })
	}()
}

// sentAll goes on when a sender has ended.
func (m *machine) sentAll(w *work, s *sender, err error) {
	if m.work != w || w.sender != s {
		return
	}
	w.sender = nil
	w.job.Sent = s.sent.Load()
	switch {
	case w.stopping && err != nil:
		m.stopNow()
	case err != nil:
		m.lose(fmt.Errorf("send: %w", err))
	default:
		late := w.stopping // the device has the whole file, and is told to stop as one that has
		w.stopping, w.handed = false, m.desk.Now()
		m.desk.Handed()
		switch {
		case m.done == doneSent && m.port != "", w.answered:
			m.complete()
		case w.closed:
			m.ended(m.line, io.EOF)
		}
		if late && m.work == w {
			m.Stop(w.job)
		}
	}
}

// allSent says whether every byte has left, though perhaps not yet arrived.
func (w *work) allSent() bool {
	return !w.handed.IsZero() || w.sender != nil && w.sender.sent.Load() == int64(len(w.body))
}

func (m *machine) complete() {
	m.letGo()
	m.desk.Complete()
}

func (m *machine) finish(state tandemv1.JobState, reasons ...string) {
	m.letGo()
	m.desk.Finish(state, reasons...)
}

// heard takes an answer of the device.
func (m *machine) heard(c *connection, answer []byte) {
	word := m.answers.meaning(answer)
	if word == wordBooted {
		m.letGo()
		m.desk.Reset(fmt.Errorf("it says %.80q", answer))
		return
	}
	w := m.work
	if w == nil || c != m.line {
		return // it concerns no run of ours
	}
	switch word {
	case wordDone:
		switch {
		case m.done != doneAnswer:
		case w.allSent() && !w.stopping:
			m.complete()
		case w.allSent(), w.sender != nil && w.sender.last.Load():
			w.answered = true // it has the last bytes before their writer knows, or is just told to stop
		}
	case wordFailed:
		m.env.Log.Warn("the device has given the run up", zap.String("run", w.job.Run), zap.ByteString("answer", answer[:min(len(answer), 200)]))
		m.finish(tandemv1.JobState_JOB_STATE_ABORTED, "aborted-by-system", "x-given-up-by-device")
	case wordCanceled:
		m.finish(tandemv1.JobState_JOB_STATE_CANCELED, "job-canceled-at-device")
	case wordHeld:
		m.desk.Stand(reasonHeld)
	case wordGoesOn:
		if m.desk.Standing() == reasonHeld {
			m.desk.GoOn()
		}
	case wordNone, wordBooted:
	}
}

// ended goes on when a line has ended.
func (m *machine) ended(c *connection, err error) {
	if c != m.line {
		return
	}
	w, eof := m.work, errors.Is(err, io.EOF)
	if m.port != "" {
		m.hangUp()
		m.lose(fmt.Errorf("serial line lost: %w", err))
		return
	}
	if w != nil && eof && w.sender != nil && w.sender.last.Load() && !w.stopping {
		w.closed = true // it may have had the last bytes before their writer knows: whether they have arrived shows in a moment
		return
	}
	m.hangUp()
	switch {
	case w == nil || w.released:
	case w.stopping: // it is being stopped, and a closed connection does no harm
		w.cut = !eof
	case eof && !w.handed.IsZero() && (m.done == doneClosed || m.done == doneSent):
		m.complete()
	case eof && !w.handed.IsZero() && !m.keepOpen:
		m.release()
	case eof:
		m.lose(errors.New("the device has closed the connection in the middle of a run"))
	default:
		m.lose(fmt.Errorf("connection lost in the middle of a run: %w", err))
	}
}

// release lets the device go on alone.
func (m *machine) release() {
	m.work.released = true
	m.hangUp()
	if err := m.desk.Note(note{Released: true}); err != nil {
		m.env.Log.Warn("if this driver ends now, the outcome of the run is unknown", zap.Error(err))
	}
}

// lose goes on when the line is lost: how far the device is, nobody knows, unless it says so itself.
func (m *machine) lose(err error) {
	w := m.work
	if w != nil && m.resumeAnswer != nil && m.port == "" && w.stopped.IsZero() && !w.job.Stopping {
		m.resume(err)
		return
	}
	m.letGo()
	m.desk.LoseJob(err)
}
