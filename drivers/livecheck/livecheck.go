// Package livecheck holds a live driver, in whatever language and wherever it runs, against the contract of
// proto/tandem/driver/v1: it plays the daemon on a bus of its own and gives orders that are common, late, doubled, stale
// or nonsense.
//
// Nothing moves unless [Options.Move] says so: every other check gives runs without their start. It is no safety test; a
// driver that is wrong may move its device all the same, so somebody stands beside it.
package livecheck

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/nats-io/nats.go"

	tandemv1 "tandem/proto/tandem/v1"
)

// Options say how a driver is checked.
type Options struct {
	// Device is the id that the driver speaks for. Required.
	Device string
	// Operation is what test runs do; empty: the first that the driver says it can.
	Operation string
	// Capacity is how many runs the device holds; 0 means 1.
	Capacity int
	// Manual is for devices that people report for: their runs begin and end by a person's word.
	Manual bool
	// Documents are the files of test runs. A driver that sends files needs them.
	Documents []*tandemv1.Document
	// Pieces of a test run; 0 means 2.
	Pieces int32
	// Work is how long the daemon expects a test run to take; 0 means 10 s.
	Work time.Duration

	// Move lets runs begin. The device moves.
	Move bool
	// MoveWithin is how long a run that has begun may take; 0 means 10 min.
	MoveWithin time.Duration

	// Wait is how long the driver may take to say hello; 0 means 1 min.
	Wait time.Duration
	// Reconnect breaks the bus and brings it back, and returns the new connection. Nil: that check is left out.
	Reconnect func(context.Context) (*nats.Conn, error)
	// Restart ends the driver and starts it again. Nil: that check is left out.
	Restart func(context.Context) error

	// Only names the checks to make; empty: every one.
	Only []string
	// Began is told the name of each check before it is made. It may be nil.
	Began func(name string)
	// Ended is told of each result. It may be nil.
	Ended func(Result)
}

// Result is what became of one check.
type Result struct {
	Name string
	Err  error  // what the driver does wrong
	Left string // why the check was left out; empty: it was made
	Took time.Duration
}

// ErrFailed means that a driver does not keep the contract.
var ErrFailed = errors.New("the driver does not keep the contract")

// ErrNoHello means that no driver has spoken for the device.
var ErrNoHello = errors.New("no driver has said hello")

// leftOut is the error of a check that cannot be made here.
type leftOut string

func (l leftOut) Error() string { return string(l) }

// Check makes every check, in order, and returns what became of each. The connection must be allowed what the daemon is.
// The error is [ErrFailed] if a check failed, [ErrNoHello] if there is nobody to check, or that of a broken bus.
func Check(ctx context.Context, conn *nats.Conn, opt Options) ([]Result, error) {
	if !tandemv1.ValidID(opt.Device) {
		return nil, fmt.Errorf("device %q is no id: use a-z, 0-9 and -, at most 63", opt.Device)
	}
	opt.Capacity, opt.Pieces = max(opt.Capacity, 1), max(opt.Pieces, 2)
	opt.Work, opt.MoveWithin, opt.Wait = orElse(opt.Work, 10*time.Second), orElse(opt.MoveWithin, 10*time.Minute), orElse(opt.Wait, time.Minute)
	made, err := chosen(opt.Only)
	if err != nil {
		return nil, err
	}
	p := newPeer(opt.Device)
	if err := p.listen(conn); err != nil {
		return nil, err
	}
	defer func() { p.leave() }()
	if err := p.wait(ctx, opt.Wait, "a hello", func() bool { return len(p.hellos) > 0 }); err != nil {
		if ctx.Err() != nil {
			return nil, err
		}
		return nil, fmt.Errorf("%w for %s within %s", ErrNoHello, opt.Device, opt.Wait)
	}
	if err := p.wait(ctx, promptly, "a status after the welcome", func() bool { return p.count > 0 }); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrFailed, err)
	}
	s := &session{peer: p, opt: opt, fence: firstFence}
	var out []Result
	failed := 0
	for _, c := range made {
		if opt.Began != nil {
			opt.Began(c.name)
		}
		r := Result{Name: c.name}
		begin := time.Now()
		err := c.run(ctx, s)
		r.Took = time.Since(begin)
		if err == nil || ctx.Err() == nil {
			err = errors.Join(err, s.clear(ctx))
		}
		if ctx.Err() != nil {
			return out, ctx.Err()
		}
		if why, ok := errors.AsType[leftOut](err); ok {
			r.Left = string(why)
		} else if err != nil {
			r.Err = err
			failed++
		}
		out = append(out, r)
		if opt.Ended != nil {
			opt.Ended(r)
		}
	}
	if failed > 0 {
		return out, fmt.Errorf("%w: %d of %d checks failed", ErrFailed, failed, len(out))
	}
	return out, nil
}

// chosen are the checks of some names.
func chosen(only []string) ([]check, error) {
	if len(only) == 0 {
		return checks(), nil
	}
	var out []check
	for _, name := range only {
		at := slices.IndexFunc(checks(), func(c check) bool { return c.name == name })
		if at < 0 {
			return nil, fmt.Errorf("there is no check %q", name)
		}
		out = append(out, checks()[at])
	}
	return out, nil
}

func orElse(d, otherwise time.Duration) time.Duration {
	if d > 0 {
		return d
	}
	return otherwise
}
