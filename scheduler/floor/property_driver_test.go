package floor

import (
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// fakeDriver is a driver that keeps to the contract: it does what it is told, once, and says what it has in hand. It is
// plain data, so that it can be copied with the floor.
type fakeDriver struct {
	manual bool
	epoch  uint64
	runs   []fakeRun
	last   *driverv1.Status // what it said last in this epoch
}

type fakeRun struct {
	grant         *driverv1.Grant
	state         tandemv1.JobState
	good, spoiled int32
	empty         bool // it stands still, or was given up, because the roll is at its end
	start, end    time.Time
	readings      []*driverv1.MarkReading
}

func (d *fakeDriver) clone() *fakeDriver {
	c := *d
	c.runs = slices.Clone(d.runs)
	return &c
}

func (d *fakeDriver) find(run string, fence uint64) *fakeRun {
	for i := range d.runs {
		if r := &d.runs[i]; r.grant.GetRun() == run && r.grant.GetFence() == fence {
			return r
		}
	}
	return nil
}

// take does what an order says and returns whether it is taken.
func (d *fakeDriver) take(o *driverv1.Order, now time.Time) bool {
	switch k := o.GetKind().(type) {
	case *driverv1.Order_Grant:
		if r := d.find(k.Grant.GetRun(), k.Grant.GetFence()); r != nil {
			r.grant = k.Grant
		} else {
			d.runs = append(d.runs, fakeRun{grant: k.Grant, state: tandemv1.JobState_JOB_STATE_PENDING})
		}
	case *driverv1.Order_Stop:
		r := d.find(k.Stop.GetRun(), k.Stop.GetFence())
		if r == nil {
			return false
		}
		if !ended(r.state) {
			r.state, r.end = tandemv1.JobState_JOB_STATE_CANCELED, now
		}
	case *driverv1.Order_Settle:
		d.runs = slices.DeleteFunc(d.runs, func(r fakeRun) bool {
			return r.grant.GetRun() == k.Settle.GetRun() && r.grant.GetFence() == k.Settle.GetFence()
		})
	}
	return true
}

// work goes on with every run: it begins what may begin, and ends or halts what has begun as luck has it.
func (d *fakeDriver) work(now time.Time, luck int) {
	for i := range d.runs {
		r := &d.runs[i]
		switch before := r.grant.GetStartBefore(); r.state {
		case tandemv1.JobState_JOB_STATE_PENDING:
			if r.grant.GetMayStart() && (before == nil || !now.After(before.AsTime())) {
				r.state, r.start = tandemv1.JobState_JOB_STATE_PROCESSING, now
				r.read(luck)
			}
		case tandemv1.JobState_JOB_STATE_PROCESSING:
			d.goOn(r, now, luck)
		case tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED:
			r.state, r.empty = tandemv1.JobState_JOB_STATE_PROCESSING, false
		default: // it has ended
		}
	}
}

// read reads the marks of every panel at once; luck puts another panel there, or turns it round.
func (r *fakeRun) read(luck int) {
	for _, p := range r.grant.GetPanels() {
		w, l := p.GetWidthUm(), p.GetLengthUm()
		m := &driverv1.MarkReading{PanelCode: p.GetPanelCode(), Marks: []*driverv1.Mark{{XUm: 7, YUm: 9}, {XUm: w}, {XUm: w, YUm: l}, {YUm: l}}}
		switch luck % 9 {
		case 0:
			m.Marks[1].XUm += 20_000
		case 1:
			m.Marks = append(m.GetMarks()[2:], m.GetMarks()[:2]...)
		}
		r.readings = append(r.readings, m)
	}
}

func (d *fakeDriver) goOn(r *fakeRun, now time.Time, luck int) {
	left := r.grant.GetPieces() - r.good - r.spoiled
	if d.manual { // a rack ends by the clock, a bench by a person's word
		if t := r.grant.GetReadyTime(); t != nil && !now.Before(t.AsTime()) {
			r.state, r.good, r.end = tandemv1.JobState_JOB_STATE_COMPLETED, r.good+left, now
		}
		return
	}
	switch luck % 10 {
	case 8:
		r.state, r.good, r.empty = tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, r.good+left/2, true
	case 9:
		r.state, r.good, r.end, r.empty = tandemv1.JobState_JOB_STATE_ABORTED, r.good+left/2, now, true
	case 0:
		r.state, r.good = tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, r.good+left/2
	case 1:
		r.state, r.good, r.end = tandemv1.JobState_JOB_STATE_ABORTED, r.good+left/2, now
	case 2:
		r.spoiled += min(left, 1)
	case 3:
		r.good += min(left, 1)
	default:
		r.state, r.good, r.end = tandemv1.JobState_JOB_STATE_COMPLETED, r.good+left, now
	}
}

// status is the whole truth.
func (d *fakeDriver) status() *driverv1.Status {
	s := &driverv1.Status{Epoch: d.epoch, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE}
	for i := range d.runs {
		r := &d.runs[i]
		rs := &driverv1.RunStatus{
			Run: r.grant.GetRun(), Fence: r.grant.GetFence(), State: r.state, PiecesGood: r.good, PiecesSpoiled: r.spoiled,
			StartTime: stamp(r.start), EndTime: stamp(r.end), MarkReadings: r.readings,
		}
		switch r.state {
		case tandemv1.JobState_JOB_STATE_PENDING:
			rs.StateReasons = []string{ReasonAwaitingStart}
		case tandemv1.JobState_JOB_STATE_PROCESSING:
			s.State = tandemv1.DeviceState_DEVICE_STATE_PROCESSING
		case tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, tandemv1.JobState_JOB_STATE_ABORTED:
			rs.StateReasons = []string{"media-jam-error"}
			if r.empty {
				rs.StateReasons = []string{"media-empty-error"}
			}
		default:
		}
		s.Runs = append(s.Runs, rs)
	}
	d.last = s
	return s
}

// reboot starts the driver anew. What it had in hand it has forgotten, or not.
func (d *fakeDriver) reboot(forgets bool) {
	d.epoch++
	d.last = nil
	if forgets {
		d.runs = nil
	}
}

// hear is a status on its way: as a greeting where there has to be one.
func (w *world) hear(d *Device, s *driverv1.Status) {
	if !d.Greeted || d.Epoch != s.GetEpoch() {
		w.do(Meta{}, Greet{Device: d.ID, Status: s})
		return
	}
	w.do(Meta{}, Report{Device: d.ID, Status: s})
}

// deliver brings a device its orders; luck loses some on the way and refuses others.
func (w *world) deliver(d *Device, driver *fakeDriver, luck int) {
	for i, o := range w.floor.Orders(d, driver.last, w.now) {
		g, s := o.GetGrant(), o.GetStop()
		switch n := luck + i; {
		case o.GetEpoch() != driver.epoch || n%7 == 0:
		case g != nil && n%6 == 0 && driver.find(g.GetRun(), g.GetFence()) == nil:
			w.do(Meta{}, RefuseRun{Run: g.GetRun(), Reason: "spool is full"})
		case !driver.take(o, w.now) && s != nil:
			w.do(Meta{}, StopRefused{Run: s.GetRun()})
		}
	}
}

// lie is a status that is not true.
func (w *world) lie(a act, d *Device, driver *fakeDriver) {
	s := proto.CloneOf(driver.status())
	s.State = tandemv1.DeviceState(a.B % 6)
	s.Link = tandemv1.Link(a.C % 4)
	if r := w.run(a.B); r != nil {
		s.Runs = append(s.Runs, &driverv1.RunStatus{
			Run: r.ID, Fence: r.Fence + uint64(a.C%3/2), State: tandemv1.JobState(a.D % 11),
			PiecesGood: int32(a.A%12) - 2, PiecesSpoiled: int32(a.B%6) - 2,
			StartTime: stamp(w.now.Add(time.Duration(a.C-500) * time.Hour)), MarkReadings: falseReadings(r.Step, a.A, a.C),
		})
	}
	if len(s.GetRuns()) > 0 && a.D%3 == 0 {
		s.Runs = s.GetRuns()[1:]
	}
	s.Epoch += uint64(a.A % 4 / 3)
	w.hear(d, s)
}
