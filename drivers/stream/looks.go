package stream

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"

	"tandem/drivers/filejob"
	tandemv1 "tandem/proto/tandem/v1"
)

// lookAgain is the longest time, in floor time, between two looks at a run under way.
const lookAgain = time.Second

// Look implements filejob.Machine.
func (m *machine) Look(job *filejob.Job) time.Duration {
	if m.work != nil { // else it is finished, and not ready yet
		m.look(job)
	}
	return lookAgain
}

func (m *machine) look(job *filejob.Job) {
	w := m.work
	now := m.desk.Now()
	if w.sender != nil {
		job.Sent = w.sender.sent.Load()
	}
	if job.Sent != w.sent {
		w.sent, w.moved = job.Sent, now
		if m.desk.Standing() == reasonNoProgress {
			m.desk.GoOn()
		}
	}
	silent := m.line != nil && m.line.Silent(m.lostAfter)
	switch {
	case !w.stopped.IsZero():
		if now.Sub(w.stopped) >= m.stopTakes {
			m.finish(tandemv1.JobState_JOB_STATE_CANCELED, "job-canceled-by-operator")
		}
	case silent:
		m.lose(errSilent)
	case w.stopping: // it is being told
	case w.sender != nil && m.stallAfter > 0 && now.Sub(w.moved) >= m.stallAfter && m.desk.Standing() == "":
		m.desk.Stand(reasonNoProgress)
	case w.handed.IsZero():
	case m.done == doneSent && now.Sub(w.handed) >= closeWait:
		m.complete()
	case m.done == doneTime && job.Over() && m.desk.Standing() == "":
		m.complete()
	case !m.keepOpen && !w.released && now.Sub(w.handed) >= closeWait:
		m.release()
	}
}

// Idle implements filejob.Machine.
func (m *machine) Idle() time.Duration {
	now := m.desk.Now()
	if m.port != "" || m.rehearses() || m.check == 0 || m.asking {
		return -1
	}
	if wait := m.checked.Add(m.check).Sub(now); wait > 0 {
		return wait
	}
	m.asking = true
	ctx, post := m.ctx, m.desk.Post()
	go func() {
		err := m.ask(ctx)
		post(ctx, func() {
			m.asking, m.checked = false, m.desk.Now()
			if err != nil && m.work == nil {
				m.desk.Lose(err)
			}
		})
	}()
	return -1
}

// Release implements filejob.Machine.
func (m *machine) Release(*filejob.Job) { m.letGo() }

// Stop implements filejob.Machine. The chunk that is being sent is finished; then the device is told, if it can be, and
// has stopTakes to come to a stand. A device that has the whole file and cannot be told works to its end.
func (m *machine) Stop(*filejob.Job) {
	w := m.work
	switch {
	case w == nil || !w.stopped.IsZero():
	case w.sender != nil:
		w.stopping = true
		w.callBack()
	case !w.lostAt.IsZero(): // nothing more is sent; how far it got, nobody knows
		m.letGo()
		m.desk.Finish(tandemv1.JobState_JOB_STATE_CANCELED, "job-canceled-by-operator", "x-outcome-unknown")
	case len(m.stopSend) > 0 && m.line != nil:
		m.stopNow()
	case len(m.stopSend) > 0 && w.released:
		m.stopAnew()
	}
}

// stopNow stops a run whose sender has ended.
func (m *machine) stopNow() {
	w := m.work
	w.stopping = true
	c := m.line
	if c == nil {
		w.stopped = m.desk.Now()
		return
	}
	if w.handed.IsZero() {
		c.Drop()
	}
	if len(m.stopSend) == 0 {
		w.stopped = m.desk.Now()
		if m.port == "" {
			m.hangUp()
		}
		return
	}
	m.tell(c)
}

// tell tells the device to stop. That it has been told says nothing about when it stands. One that has the whole file and
// was not told works on: only one that lacks the rest comes to a stand without a word.
func (m *machine) tell(l line) {
	w := m.work
	ran := m.ctx
	ctx, cancel := context.WithTimeout(ran, m.lostAfter)
	w.callBack = cancel
	post := m.desk.Post()
	go func() {
		defer cancel()
		err := say(ctx, l, m.stopSend)
		for err == nil {
			if err = l.Flush(); !errors.Is(err, errNotTaken) {
				break
			}
			err = pause(ctx)
		}
		post(ran, func() {
			if err == nil && w.cut {
				err = errors.New("the connection was reset")
			}
			if err != nil {
				m.env.Log.Warn("the device could not be told to stop; look at it", zap.Error(err))
			}
			if m.work == w {
				m.told(err)
			}
		})
	}()
}

// told goes on when the device has been told to stop, or could not be.
func (m *machine) told(err error) {
	w := m.work
	if err == nil || w.handed.IsZero() {
		w.stopped = m.desk.Now()
		return
	}
	w.stopping = false
	switch {
	case w.answered:
		m.complete()
	case m.line == nil && !w.released: // the connection was lost meanwhile
		m.letGo()
		m.desk.LoseJob(fmt.Errorf("tell the device to stop: %w", err))
	}
}

// stopAnew tells a device to stop that works without a connection.
func (m *machine) stopAnew() {
	w := m.work
	ctx, post := m.ctx, m.desk.Post()
	go func() {
		l, err := m.open(ctx)
		taken := post(ctx, func() {
			switch {
			case err != nil:
				m.env.Log.Warn("the device could not be told to stop; it works to its end", zap.Error(err))
			case m.work != w:
				_ = l.Close() // the run has ended meanwhile
			default:
				w.stopping = true
				m.tell(m.listen(l))
			}
		})
		if !taken && err == nil {
			_ = l.Close() // nobody is left who could tell it anything
		}
	}()
}
