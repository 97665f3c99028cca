package folder

import (
	"errors"
	"fmt"
	"io/fs"
	"time"

	"github.com/fsnotify/fsnotify"
	"go.uber.org/zap"

	"tandem/drivers/filejob"
	tandemv1 "tandem/proto/tandem/v1"
)

// begin gives the file its name. CAUTION: from then on the device may move.
func (m *machine) begin(job *filejob.Job, n note) {
	m.work = &work{note: n, job: job, begun: m.desk.Now()}
	m.next = m.work.begun.Add(m.poll)
	m.drop()
}

// drop tries to give the file its name. It is tried again for a moment only: a start does not wait for a share.
func (m *machine) drop() {
	w := m.work
	then(m, func() error { return m.share.rename(w.Temp, m.path(w.Name)) }, func(err error) {
		if m.work != w || w.dropped {
			return
		}
		switch {
		case err == nil:
			w.dropped = true
			m.desk.Begun()
			m.desk.Handed()
			if w.withdraw {
				m.takeBack()
			}
		case errors.Is(err, fs.ErrExist):
			m.notBegun(&filejob.Trouble{Reason: ReasonNameTaken, Err: err})
		default:
			m.env.Log.Debug("file not dropped yet", zap.Error(err))
			m.next = m.desk.Now().Add(m.poll)
		}
	})
}

// stillHere settles what a rename that failed has come to: a share may do it and lose the answer.
func (m *machine) stillHere() {
	w := m.work
	then(m, func() seen { return m.observe(w.note) }, func(s seen) {
		switch late := w.withdraw || m.desk.Now().Sub(w.begun) >= beginWithin; {
		case m.work != w, w.dropped:
		case s.err != nil && late:
			m.work = nil
			m.desk.LoseJob(fmt.Errorf("nobody knows whether the file was dropped: %w", s.err))
		case s.err != nil:
		case s.temp && late:
			m.notBegun(&filejob.Trouble{Reason: reasonConnecting, Err: errors.New("the share did not take the file in time; nothing was dropped")})
		case s.temp:
			m.drop()
		default: // it has left its temporary name
			w.dropped = true
			m.desk.Begun()
			m.desk.Handed()
			if w.withdraw {
				m.takeBack()
			}
		}
	})
}

func (m *machine) notBegun(why *filejob.Trouble) {
	temp := m.work.Temp
	m.work = nil
	m.discard(temp)
	m.desk.NotBegun(why)
}

// Look implements filejob.Machine.
func (m *machine) Look(job *filejob.Job) time.Duration {
	w, now := m.work, m.desk.Now()
	switch {
	case w == nil: // finished, and not ready yet
		return m.poll
	case m.done == doneTime && w.dropped && job.Over() && !w.withdraw:
		m.work = nil
		m.desk.Complete()
		return m.poll
	case !w.stopped.IsZero() && now.Sub(w.stopped) >= m.stopTakes:
		m.desk.Unknown()
	}
	if wait := m.next.Sub(now); wait > 0 {
		return min(wait, m.poll)
	}
	m.next = now.Add(m.poll)
	if m.lostFor(now) {
		return m.poll
	}
	if m.asked > 0 {
		return m.poll
	}
	if !w.dropped {
		m.stillHere()
		return m.poll
	}
	then(m, func() seen { return m.observe(w.note) }, func(s seen) {
		if s.err == nil && !s.anchored {
			s.err = m.noAnchor()
		}
		if m.heardOf(s.err) && m.work == w {
			m.saw(s)
		}
	})
	return m.poll
}

// saw goes on with what a look at the folder has found.
func (m *machine) saw(s seen) {
	w := m.work
	switch {
	case s.failed:
		m.env.Log.Warn("the software has given the run up", zap.String("run", w.job.Run), zap.String("file", w.Name))
		m.finish(tandemv1.JobState_JOB_STATE_ABORTED, "aborted-by-system", "x-given-up-by-device")
		return
	case s.done:
		m.work = nil
		m.desk.Complete()
		return
	case s.there:
		w.missed = 0
		return
	}
	// A share that is just coming back may show less than there is, so it is looked at twice.
	if w.missed++; w.missed < 2 {
		return
	}
	w.taken = true
	if m.done == doneRemoved && !w.withdraw {
		m.work = nil
		m.desk.Complete()
	}
}

// Stop implements filejob.Machine.
func (m *machine) Stop(*filejob.Job) {
	w := m.work
	if w == nil || w.withdraw {
		return
	}
	w.withdraw = true
	if w.dropped {
		m.takeBack()
	}
}

// takeBack gives the file its temporary name again. Who can do that has it, and the software can no longer take it.
func (m *machine) takeBack() {
	w := m.work
	then(m, func() error {
		err := m.share.rename(m.path(w.Name), w.Temp)
		if err != nil { // taken back before, by a driver that was killed or a share that lost the answer
			if back, sees := m.has(w.Temp); sees == nil && back {
				err = nil
			}
		}
		if err == nil {
			_ = m.share.remove(w.Temp) // else it is written over by the next of its name
		}
		return err
	}, func(err error) {
		switch {
		case m.work != w:
		case err == nil && m.pickup == pickupMoves:
			m.finish(tandemv1.JobState_JOB_STATE_CANCELED, "job-canceled-by-operator")
		default:
			// The software has it, or may have read it where it lay: its sign is waited for, and then a person asked.
			w.stopped = m.desk.Now()
		}
	})
}

// watch looks at the folder at once when the system tells of a change. Polling goes on: a share may never tell.
func (m *machine) watch() {
	watcher, err := fsnotify.NewWatcher()
	if err != nil {
		m.env.Log.Info("the system tells of no changes; the folder is looked at now and then", zap.Error(err))
		return
	}
	dirs := []string{m.folder}
	for _, pattern := range []string{m.doneFile, m.failFile} {
		if s, err := newSign(pattern, m.folder, func(string) string { return "x" }); err == nil && s != nil {
			dirs = append(dirs, s.Dir)
		}
	}
	for _, dir := range dirs {
		if err := watcher.Add(dir); err != nil {
			m.env.Log.Debug("the system tells of no changes there", zap.String("folder", dir), zap.Error(err))
		}
	}
	ctx, post := m.ctx, m.desk.Post()
	go func() {
		defer watcher.Close()
		for {
			select {
			case _, ok := <-watcher.Events:
				if !ok {
					return
				}
				post(ctx, func() { m.next = time.Time{} })
			case _, ok := <-watcher.Errors:
				if !ok {
					return
				}
			case <-ctx.Done():
				return
			}
		}
	}()
}
