// Package engine is the only writer of the floor: one loop takes commands, drivers' reports and the passing of time, lets
// the floor decide, asks the dispatcher who is next, stores everything that one turn decided as one record of the ledger,
// and only then answers, tells watchers and sends orders.
//
// "Step k is done" and "step k+1 is granted" are in the same record, and all callers that wait at the same moment share one
// write to disk. If a record cannot be stored, memory is ahead of the ledger: the engine stops with an error, and whoever
// runs it opens it anew from the ledger. It never goes on from a guess.
package engine

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"tandem/daemon/ledger"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/dispatch"
	"tandem/scheduler/floor"
)

// ErrStopped means that the engine does not run: it is stopping, or its ledger failed it. Nothing was stored for sure
// unless the same request id says so later: ask again.
var ErrStopped = errors.New("engine: not running")

// Options are what an engine is made of.
type Options struct {
	Ledger     ledger.Ledger
	Clock      clock.Clock         // the floor's time
	Dispatcher dispatch.Dispatcher // default: earliest completion
	File       *tandemv1.FloorFile // put in force at the start; nil: as in the ledger
	// Send passes an order to a device's driver and calls answered with its answer, from any goroutine. It must not
	// block. An error means that nobody answered: the order will be sent again.
	Send func(device string, order *driverv1.Order, answered func(*driverv1.Answer, error))
	// Period is how often, in wall time, a driver repeats its status. One that is silent for three is lost.
	Period time.Duration
	Wall   Wall // by which silence and repetitions are counted; default: the computer's
	// Leader is this daemon's name, for the record of the term that it begins; empty: it is the only one.
	Leader string
	// Leads is asked before each record is stored, and says why this daemon no longer leads. It spares the ledger; safety
	// rests on the ledger, which refuses the record of a leader that another has followed. Nil: it always leads.
	Leads func() error
	// SnapshotEvents is the number of events after which a snapshot is saved; 0 means 20,000.
	SnapshotEvents int
	// KeepEnded is how long jobs that have ended stay on the floor; 0 means [floor.KeepEnded].
	KeepEnded time.Duration
	// Snapshot returns one of a copy of the floor that follows the ledger, so that the loop need not read its own for it; false: there
	// is none now. It is called from another goroutine, while Run runs. Nil: there never is.
	Snapshot func() (*ledgerv1.Snapshot, bool)
	// ReadOnly returns why nothing new is taken and granted, nil if it is; work under way goes on. It is called in the loop
	// and must be quick. Nil: never.
	ReadOnly func() error
	Log      *zap.Logger
}

// Wall is the wall time, in which people and drivers wait, as against the floor's.
type Wall interface {
	Now() time.Time // with a monotonic reading
	AfterFunc(d time.Duration, f func())
}

type computer struct{}

func (computer) Now() time.Time                      { return time.Now() }
func (computer) AfterFunc(d time.Duration, f func()) { time.AfterFunc(d, f) }

// Engine is the writer of one floor.
type Engine struct {
	opt    Options
	log    *zap.Logger
	inputs chan *input
	done   chan struct{} // closed when Run has returned
	feed   *feed

	// Owned by the goroutine in Run.
	floor     *floor.Floor
	head      ledger.Head
	heard     map[string]time.Time // device -> when its driver was last heard; wall, monotonic
	status    map[string]*driverv1.Status
	sent      map[orderKey]time.Time
	lastTick  time.Time // when silence was looked at last; wall
	unsaved   int       // events since the last snapshot
	archived  time.Time // when jobs were last taken off the floor, or looked for; by the floor's clock
	saving    sync.WaitGroup
	savingNow chan struct{} // holds a token while a snapshot is being saved
	beside    func(func())  // runs what the loop does not wait for
	copied    copying
	busy      busy
}

// input is one thing the loop has to do: a command to decide, or a question to answer.
type input struct {
	meta    floor.Meta
	command floor.Command
	device  string           // for a driver's word: whose
	status  *driverv1.Status // for a driver's word: all of it
	ask     func()           // called in the loop between turns
	then    func()           // called in the loop once the command is stored
	answer  func(reply)      // called in the loop at the end; it does not wait
	claimed atomic.Bool      // by the loop, to call ask or then; or by the caller, to leave without waiting for that
}

// claim says whether the one who asks was first. What ask and then write to is the loop's until the answer is there, so a
// caller whose time is up may leave only before the loop has begun with them.
func (in *input) claim() bool { return in.claimed.CompareAndSwap(false, true) }

type reply struct {
	result Result
	err    error
}

// Result is what became of a command.
type Result struct {
	floor.Decision
	Revision uint64 // of the record that holds it, or the present one if nothing changed
}

// Open restores the floor from the ledger's newest snapshot and the records after it, and verifies it.
func Open(ctx context.Context, opt Options) (*Engine, error) {
	if opt.Dispatcher == nil {
		opt.Dispatcher = dispatch.New(dispatch.EarliestCompletion)
	}
	if opt.SnapshotEvents == 0 {
		opt.SnapshotEvents = 20_000
	}
	if opt.KeepEnded == 0 {
		opt.KeepEnded = floor.KeepEnded
	}
	if opt.Log == nil {
		opt.Log = zap.NewNop()
	}
	if opt.Wall == nil {
		opt.Wall = computer{}
	}
	e := &Engine{
		opt: opt, log: opt.Log, inputs: make(chan *input, 1024), done: make(chan struct{}),
		heard: map[string]time.Time{}, status: map[string]*driverv1.Status{}, sent: map[orderKey]time.Time{},
		savingNow: make(chan struct{}, 1),
	}
	e.beside = e.saving.Go
	if err := e.restore(ctx); err != nil {
		return nil, fmt.Errorf("open engine: %w", err)
	}
	e.feed = newFeed(opt.Ledger, e.head.Revision)
	return e, nil
}

// LastCommit returns the commit time of the last record restored; the zero time for an empty ledger. Valid before Run.
func (e *Engine) LastCommit() time.Time { return e.head.CommitTime }

// Listens returns the ids of the devices whose drivers have a say: those of the floor file, and those that have left it with runs in
// hand. Valid before Run.
func (e *Engine) Listens() []string {
	var ids []string
	for _, d := range e.opt.File.GetDevices() {
		ids = append(ids, d.GetId())
	}
	for _, d := range e.floor.Devices {
		if (e.opt.File == nil || len(d.Live) > 0) && !slices.Contains(ids, d.ID) {
			ids = append(ids, d.ID)
		}
	}
	return ids
}

// File returns the floor file in force. It must not be called while Follow, CatchUp or Run does its work.
func (e *Engine) File() *tandemv1.FloorFile { return e.floor.File() }

// SetClock replaces the clock of the options. It must not be called after Run.
func (e *Engine) SetClock(c clock.Clock) { e.opt.Clock = c }

// Do decides a command and returns once what it caused is on disk. Errors of the floor are *floor.Error; ErrStopped means
// that the engine cannot say.
func (e *Engine) Do(ctx context.Context, m floor.Meta, c floor.Command) (Result, error) {
	return e.DoThen(ctx, m, c, nil)
}

// DoThen is Do, and calls then with the committed state in the same turn of the loop, unless the command was refused. As
// in View, then must be quick and keep nothing that changes.
func (e *Engine) DoThen(ctx context.Context, m floor.Meta, c floor.Command, then func(State)) (Result, error) {
	in := &input{meta: m, command: c}
	if then != nil {
		in.then = func() { then(e.state()) }
	}
	return e.call(ctx, in)
}

// View calls fn with the committed state, between turns of the loop. fn must be quick and keep nothing that changes.
func (e *Engine) View(ctx context.Context, fn func(State)) error {
	_, err := e.call(ctx, &input{ask: func() { fn(e.state()) }})
	return err
}

// call hands an input to the loop and waits for the answer. When it returns, the input's functions have been called or never
// will be.
func (e *Engine) call(ctx context.Context, in *input) (Result, error) {
	answer := make(chan reply, 1)
	in.answer = func(r reply) { answer <- r }
	select {
	case e.inputs <- in:
	case <-e.done:
		return Result{}, ErrStopped
	case <-ctx.Done():
		return Result{}, ctx.Err()
	}
	select {
	case r := <-answer:
		return r.result, r.err
	case <-e.done:
		select {
		case r := <-answer:
			return r.result, r.err
		default:
			return Result{}, ErrStopped
		}
	case <-ctx.Done():
		if in.claim() {
			return Result{}, ctx.Err()
		}
		r := <-answer
		return r.result, r.err
	}
}

// post hands an input to the loop and does not wait for the answer, which is called in the loop.
func (e *Engine) post(in *input, answer func(reply)) {
	in.answer = answer
	select {
	case e.inputs <- in:
	case <-e.done:
		answer(reply{err: ErrStopped})
	}
}

// State is the committed state of the floor at one moment of the loop.
type State struct {
	Floor *floor.Floor
	Now   time.Time
	Head  ledger.Head

	engine *Engine
}

// Live returns the last status heard from a device's driver, and how long ago; nil if it has not been heard.
func (s State) Live(device string) (*driverv1.Status, time.Duration) {
	at, ok := s.engine.heard[device]
	if !ok {
		return nil, 0
	}
	return s.engine.status[device], s.engine.since(at)
}

// since is the wall time since a moment.
func (e *Engine) since(at time.Time) time.Duration { return e.opt.Wall.Now().Sub(at) }

func (e *Engine) state() State { return State{Floor: e.floor, Now: e.now(), Head: e.head, engine: e} }

// now is the floor's time, never before the last commit.
func (e *Engine) now() time.Time {
	if t := e.opt.Clock.Now(); t.After(e.head.CommitTime) {
		return t
	}
	return e.head.CommitTime
}
