package engine

import (
	"context"
	"time"

	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	"tandem/scheduler/floor"
)

// Stepped is an engine whose loop is turned by its owner, step by step and in one goroutine: for simulation, where the
// same seed must give the same day. Everything it decides is decided by the code that Run runs. Answers are called in
// the step that gives them. An engine is either run or stepped, once.
type Stepped struct{ e *Engine }

// steppedRoom is how many inputs may wait for a step: nobody can wait there until there is room.
const steppedRoom = 1 << 13

// Stepped takes the place of Run. After an error of a step the engine has stopped, as after one of Run.
func (e *Engine) Stepped() *Stepped {
	e.beside = func(f func()) { f() }
	e.inputs = make(chan *input, steppedRoom)
	return &Stepped{e}
}

// Begin begins to lead, as Run does first.
func (s *Stepped) Begin(ctx context.Context) error { return s.e.begin(ctx) }

// Turn takes all that waits, and wakes the dispatcher if nothing does.
func (s *Stepped) Turn(ctx context.Context) error {
	return s.step(func() error {
		select {
		case in := <-s.e.inputs:
			return s.e.hearInputs(ctx, in)
		default:
			return s.e.turns(ctx, &turn{now: s.e.now()})
		}
	})
}

// Tick looks who has been silent for too long: Run does so in each period.
func (s *Stepped) Tick(ctx context.Context) error {
	return s.step(func() error { return s.e.tick(ctx) })
}

func (s *Stepped) step(do func() error) error {
	if err := do(); err != nil {
		return err
	}
	s.e.maybeSnapshot()
	return nil
}

// Waiting says whether something waits for a Turn.
func (s *Stepped) Waiting() bool { return len(s.e.inputs) > 0 }

// Wake returns the floor time at which a Turn is due although nothing waits; zero: at none.
func (s *Stepped) Wake() time.Time { return s.e.opt.Dispatcher.Wake() }

// End saves a snapshot, as Run does when it is told to stop.
func (s *Stepped) End() { s.e.end() }

// State is the committed state, between steps.
func (s *Stepped) State() State { return s.e.state() }

// Do is Engine.Do.
func (s *Stepped) Do(m floor.Meta, c floor.Command, then func(Result, error)) {
	s.e.post(&input{meta: m, command: c}, func(r reply) { then(r.result, r.err) })
}

// View is Engine.View; failed is called instead of fn if the turn that it waited for was not stored.
func (s *Stepped) View(fn func(State), failed func(error)) {
	s.e.post(&input{ask: func() { fn(s.e.state()) }}, func(r reply) {
		if r.err != nil {
			failed(r.err)
		}
	})
}

// Hello is Engine.Hello.
func (s *Stepped) Hello(device string, st *driverv1.Status, then func(Greeting, error)) {
	in, g := word(device, st, floor.Greet{Device: device, Status: st}), Greeting{}
	in.then = func() { g = s.e.greeting(device, st) }
	s.e.post(in, func(r reply) { then(g, r.err) })
}

// Status is Engine.Status.
func (s *Stepped) Status(device string, st *driverv1.Status) {
	s.e.post(word(device, st, floor.Report{Device: device, Status: st}), func(reply) {})
}

// Watch calls fn with every record after a revision that there is now, as Engine.Watch does before it waits, and returns
// the last one.
func (s *Stepped) Watch(ctx context.Context, after uint64, fn func(*ledgerv1.Record) error) (last uint64, err error) {
	last, _, err = s.e.feed.catchUp(ctx, after, fn)
	return last, err
}
