package sim

import (
	"slices"
	"time"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// order does what it is told, once.
func (m *machine) order(o *driverv1.Order, now time.Time) {
	switch k := o.GetKind().(type) {
	case *driverv1.Order_Grant:
		m.grant(k.Grant)
	case *driverv1.Order_Stop:
		m.stop(k.Stop.GetRun(), now)
	case *driverv1.Order_Settle:
		m.settle(k.Settle.GetRun())
	}
}

func (m *machine) grant(g *driverv1.Grant) {
	known := func(j job) bool { return j.Run == g.GetRun() }
	if slices.ContainsFunc(m.Ended, known) || m.Job != nil && known(*m.Job) {
		return
	}
	if m.Loaded == nil || !known(*m.Loaded) {
		m.load(g)
	}
	var before time.Time
	if g.GetStartBefore() != nil {
		before = g.GetStartBefore().AsTime()
	}
	m.allow(g.GetMayStart() && m.Trouble == "", before)
}

// stop ends a run as soon as it is safe: the piece in work is finished, if the knife has begun on it.
func (m *machine) stop(run string, now time.Time) {
	switch j := m.Job; {
	case j != nil && j.Run == run:
		j.Stop, m.changed = true, true
		if !j.cuts(now) || m.Trouble != "" || j.Done == j.Units {
			m.end(now, tandemv1.JobState_JOB_STATE_CANCELED)
		}
	case m.Loaded != nil && m.Loaded.Run == run:
		m.Loaded.State, m.Loaded.End = tandemv1.JobState_JOB_STATE_CANCELED, now
		m.finished(*m.Loaded)
		m.Loaded, m.changed = nil, true
	}
}

// settle forgets a run. The machine does not stop for it.
func (m *machine) settle(run string) {
	ended := len(m.Ended)
	m.Ended = slices.DeleteFunc(m.Ended, func(j job) bool { return j.Run == run })
	m.changed = m.changed || len(m.Ended) != ended
	if m.Job != nil && m.Job.Run == run {
		m.Job.Forgotten, m.changed = true, true
	}
	if m.Loaded != nil && m.Loaded.Run == run {
		m.Loaded, m.changed = nil, true
	}
}
