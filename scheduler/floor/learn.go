package floor

import (
	"fmt"
	"math"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/learn"
)

// pace is what a device's own speed is kept for.
type pace struct{ operation, mode string }

// Factor returns what the device's runs of that operation and mode took, by what the model said; 1 while there are none. It
// is worked out when a run ends and stands until the next, so that a restored floor decides as the one it was taken from.
func (d *Device) Factor(s *Step) float64 {
	if f, ok := d.factors[pace{s.Operation(), s.Spec.GetMode()}]; ok {
		return f
	}
	return 1
}

// Durations answers what devices really take. It is for reading, by the owner of the floor.
func (f *Floor) Durations() *learn.Model { return f.learned }

// stands notes that a run stands still, or no longer does.
func (r *Run) stands(still bool, at time.Time) {
	switch {
	case still && r.stoppedSince.IsZero():
		r.stoppedSince = at
	case !still && !r.stoppedSince.IsZero():
		r.Stopped += max(at.Sub(r.stoppedSince), 0)
		r.stoppedSince = time.Time{}
	}
}

// StillSince returns since when the run stands still; the zero time if it does not, or its outcome is unknown.
func (r *Run) StillSince() time.Time { return r.stoppedSince }

// Worked returns how long the run has worked so far: since its start, without the time it stood still.
func (r *Run) Worked(now time.Time) time.Duration {
	if r.Start.IsZero() {
		return 0
	}
	still := r.Stopped
	if !r.stoppedSince.IsZero() {
		still += max(now.Sub(r.stoppedSince), 0)
	}
	return max(now.Sub(r.Start)-still, 0)
}

// learn takes in what a run took that its device or a person saw to an end. Drying takes what it must; a run whose outcome
// was not known at some time, or that was called off, tells nothing about the device.
func (f *Floor) learn(r *Run) {
	if f.frozen || r.State != tandemv1.JobState_JOB_STATE_COMPLETED || r.Step.Drying() || r.Start.IsZero() || r.Model <= 0 || r.Pieces <= 0 {
		return
	}
	k := learn.Key{Device: r.Device.ID, Operation: r.Step.Operation(), Mode: r.Step.Spec.GetMode()}
	done := min(float64(r.Good+r.Spoiled)/float64(r.Pieces), 1)
	err := f.learned.Observe(k, learn.Observation{
		Predicted: time.Duration(float64(r.Model) * done), Actual: r.End.Sub(r.Start), Stopped: r.Stopped, Done: done,
	})
	if err != nil {
		return // figures beyond all reason: the same at every replay
	}
	if e := f.learned.Estimate(k, time.Hour); e.Samples >= leastRuns {
		f.setFactor(r.Device, pace{k.Operation, k.Mode}, e.Factor)
	}
}

// leastRuns is how many runs of its own it takes before a device's factor counts in decisions. Quotes show the spread from
// the first.
const leastRuns = 5

func (f *Floor) setFactor(d *Device, p pace, factor float64) {
	if d.factors == nil {
		d.factors = map[pace]float64{}
	}
	if math.Abs(factor-1) < 0.005 { // no difference that anybody would see; the usual rates stay comparable
		factor = 1
	}
	d.factors[p] = factor
	if factor < f.LeastFactor(p.operation, p.mode) {
		if f.fastest == nil {
			f.fastest = map[pace]float64{}
		}
		f.fastest[p] = factor
	}
}

// LeastFactor returns a bound: no device's Factor for a step of that operation and mode is less. It is 1 at most.
func (f *Floor) LeastFactor(operation, mode string) float64 {
	if least, ok := f.fastest[pace{operation, mode}]; ok {
		return least
	}
	return 1
}

// ResetDurations forgets what was learned of a device: after a service, or when its figures were corrected.
type ResetDurations struct{ Device, Operation, Mode string }

func (c ResetDurations) decide(f *Floor, _ time.Time, _ Meta) (Decision, error) {
	d, err := f.needDevice(c.Device)
	if err != nil {
		return Decision{}, err
	}
	if c.Operation != "" && d.Ability(c.Operation) == nil {
		return Decision{}, invalid("operation", "%s cannot %s", d.ID, shorten(c.Operation))
	}
	return Decision{Subject: d.subject(), Events: []*ledgerv1.Event{{Kind: &ledgerv1.Event_DurationsReset{
		DurationsReset: &ledgerv1.DurationsReset{Device: d.ID, Operation: c.Operation, Mode: c.Mode},
	}}}}, nil
}

func (f *Floor) applyDurationsReset(e *ledgerv1.DurationsReset) {
	f.forgetDurations(f.mustDevice(e.GetDevice()), e.GetOperation(), e.GetMode())
}

// forgetDurations forgets what matches; an empty operation or mode matches all.
func (f *Floor) forgetDurations(d *Device, operation, mode string) {
	f.learned.Reset(learn.Key{Device: d.ID, Operation: operation, Mode: mode})
	for p := range d.factors {
		if (operation == "" || p.operation == operation) && (mode == "" || p.mode == mode) {
			delete(d.factors, p)
		}
	}
	d.Revision = f.Revision
	f.touchDevice(d)
}

// forgetChanged forgets what was learned of operations whose figures differ in the new floor file: it was learned by the
// old ones.
func (f *Floor) forgetChanged(d *Device, spec *tandemv1.Device) {
	figures := func(a *tandemv1.Ability) *tandemv1.Ability {
		out := proto.CloneOf(a)
		out.Media, out.Inks, out.Modes, out.Films, out.UnattendedStart = nil, nil, nil, nil, nil
		return out
	}
	for _, old := range d.Spec.GetAbilities() {
		for _, a := range spec.GetAbilities() {
			if a.GetOperation() == old.GetOperation() && !proto.Equal(figures(a), figures(old)) {
				f.forgetDurations(d, a.GetOperation(), "")
			}
		}
	}
}

func (f *Floor) snapshotLearned() *ledgerv1.Learned {
	state := f.learned.State()
	out := &ledgerv1.Learned{Turn: state.Turn}
	for _, k := range state.Keys {
		key := &ledgerv1.LearnedKey{
			Device: k.Key.Device, Operation: k.Key.Operation, Mode: k.Key.Mode, Ratios: k.Ratios,
			Learned: k.Counts.Learned, Partial: k.Counts.Partial, Clamped: k.Counts.Clamped, Turn: k.Turn,
			LastModel: durationpb.New(k.LastPredicted), LastActual: durationpb.New(k.LastActual),
		}
		if d := f.byDevice[k.Key.Device]; d != nil {
			key.Factor = d.factors[pace{k.Key.Operation, k.Key.Mode}]
		}
		out.Keys = append(out.Keys, key)
	}
	return out
}

func (f *Floor) restoreLearned(in *ledgerv1.Learned) error {
	state := learn.State{Turn: in.GetTurn()}
	for _, k := range in.GetKeys() {
		key := learn.Key{Device: k.GetDevice(), Operation: k.GetOperation(), Mode: k.GetMode()}
		state.Keys = append(state.Keys, learn.KeyState{
			Key: key, Ratios: k.GetRatios(), Turn: k.GetTurn(),
			Counts:        learn.Counts{Learned: k.GetLearned(), Partial: k.GetPartial(), Clamped: k.GetClamped()},
			LastPredicted: k.GetLastModel().AsDuration(), LastActual: k.GetLastActual().AsDuration(),
		})
		if d := f.byDevice[key.Device]; d != nil && k.GetFactor() != 0 {
			f.setFactor(d, pace{key.Operation, key.Mode}, k.GetFactor())
		}
	}
	m, err := learn.Restore(state, nil)
	if err != nil {
		return fmt.Errorf("restore learned durations: %w", err)
	}
	f.learned = m
	return nil
}
