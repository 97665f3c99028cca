package floor

import (
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/duration"
)

// Orders returns what a device still has to be told, given the last status heard in its present epoch: grants it does not
// have or whose start it does not know, stops, and ends it may forget. An order that crosses a status on the way is sent
// twice; drivers take the same order twice as once.
func (f *Floor) Orders(d *Device, last *driverv1.Status, now time.Time) []*driverv1.Order {
	if !d.Greeted {
		return nil
	}
	var out []*driverv1.Order
	add := func(o *driverv1.Order) {
		o.Epoch = d.Epoch
		out = append(out, o)
	}
	for _, rs := range last.GetRuns() {
		r := f.runs[rs.GetRun()]
		if r != nil && r.Device == d && r.Fence == rs.GetFence() && r.Step.Live == r {
			continue
		}
		if !ended(rs.GetState()) && f.leaveAlone(d, rs) {
			continue // it goes on with what it was told; a person is told of it
		}
		if ended(rs.GetState()) || (r != nil && r.Device == d && d.Manual()) {
			add(&driverv1.Order{Kind: &driverv1.Order_Settle{Settle: &driverv1.Settle{Run: rs.GetRun(), Fence: rs.GetFence()}}})
		} else {
			add(&driverv1.Order{Kind: &driverv1.Order_Stop{Stop: &driverv1.Stop{Run: rs.GetRun(), Fence: rs.GetFence()}}})
		}
	}
	for _, r := range d.Live {
		rs := findRun(last, r)
		switch {
		case r.Unknown() && rs == nil:
			// Ask nothing of a device that may have done it: a person decides.
		case r.Stopping && (rs != nil || r.State == tandemv1.JobState_JOB_STATE_PENDING):
			add(&driverv1.Order{Kind: &driverv1.Order_Stop{Stop: &driverv1.Stop{Run: r.ID, Fence: r.Fence}}})
		case r.Stopping:
			// It had it, and no longer has: the next report settles what that means.
		case rs == nil || r.startUntold(rs, now):
			add(&driverv1.Order{Kind: &driverv1.Order_Grant{Grant: r.grant()}})
		}
	}
	return out
}

// startUntold says whether the device waits for a start that has been given and is still good.
func (r *Run) startUntold(rs *driverv1.RunStatus, now time.Time) bool {
	return r.MayStart && !r.startUsed() && rs.GetState() == tandemv1.JobState_JOB_STATE_PENDING &&
		slices.Contains(rs.GetStateReasons(), ReasonAwaitingStart) &&
		(r.StartBefore.IsZero() || !now.After(r.StartBefore))
}

// startUsed says whether the run has begun, or may have, since it was let begin. A device that says later that it waits has
// forgotten, or has lost its driver meanwhile: that start is not given again, and somebody looks and gives another. A manual device
// is told each time: nothing moves by that, and its driver knows of what people have begun from nobody else.
func (r *Run) startUsed() bool {
	return !r.Device.Manual() && !r.Start.IsZero() && !r.StartBefore.IsZero() && !r.StartBefore.Add(-StartWindow).After(r.Start)
}

func (r *Run) grant() *driverv1.Grant {
	s, spec := r.Step, r.Step.Spec
	part := s.partDemand(r.Pieces, r.Device.ID)
	g := &driverv1.Grant{
		Run: r.ID, Fence: r.Fence, Job: s.Job.ID, Step: s.ID(), Operation: s.Operation(), Pieces: r.Pieces,
		Media: spec.GetMedia(), Ink: spec.GetInk(), Mode: spec.GetMode(), Film: spec.GetFilm(),
		WidthUm: spec.GetWidthUm(), LengthUm: part.LengthUm, PathLengthUm: part.PathLengthUm,
		Documents: spec.GetDocuments(), Blade: spec.GetBlade(), MayStart: r.MayStart, StartBefore: stamp(r.StartBefore), StartTime: stamp(r.Start),
	}
	for _, p := range s.Panels {
		g.PanelCodes = append(g.PanelCodes, p.Code)
	}
	g.Panels = r.boxes()
	if s.Drying() {
		g.ReadyTime = stamp(s.DryUntil())
		g.ExpectedWork = durationpb.New(r.Expected)
		return g
	}
	work := duration.Work(r.Device.Ability(s.Operation()), part)
	if r.Model > 0 {
		work = time.Duration(float64(work) * float64(r.Expected) / float64(r.Model))
	}
	work = min(work, r.Expected)
	g.ModelDuration = durationpb.New(r.Model)
	g.ExpectedSetup, g.ExpectedWork = durationpb.New(r.Expected-work), durationpb.New(work)
	return g
}
