// Package lead lets one of several daemons lead at a time, by a lease in a store that compares before it changes.
//
// The lease says whose turn it is; it does not keep a ledger whole. A process that is stopped and goes on later cannot know
// that its lease has ended until it looks at a clock, so safety rests on the ledger: the record with which a leader's term
// begins makes every append of the one before it fail. What the lease gives is that daemons do not take turns from each
// other, and that a leader cut off from the store has stopped serving by itself before another begins.
//
// No clock of one machine is ever compared with that of another. The holder counts from just before it sent its last
// renewal that was stored; a candidate counts from when it first saw that renewal, which is later, waits a little longer
// than the lease lasts, and then takes it only if nothing has changed since. Both count monotonic time.
package lead

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"time"

	"go.uber.org/zap"
)

// ErrChanged means that a lease was not stored because it is no longer the one that it should have followed.
var ErrChanged = errors.New("lead: the lease has changed")

// Entry is what a store holds. The zero Entry is that of an empty store.
type Entry struct {
	Value    []byte
	Revision uint64 // grows with each change; 0 if there was none
}

// Store keeps one value durably. It may be slow or away.
type Store interface {
	// Read returns what is stored. It may be out of date.
	Read(ctx context.Context) (Entry, error)
	// Swap stores a value if the revision is still the one given, and returns the new revision; otherwise ErrChanged. After
	// any other error the value may be stored or not.
	Swap(ctx context.Context, value []byte, revision uint64) (uint64, error)
}

// Options say who wants to lead. Only Name is required.
type Options struct {
	Name    string // of this daemon, unlike any other's
	Address string // where clients reach it
	// Duration is how long a lease lasts without being renewed; 0 means 2.5 s. It is renewed five times as often.
	Duration time.Duration
	Log      *zap.Logger
}

// DefaultDuration is how long a lease lasts. With the margin, the poll and the first record of a term, another daemon
// leads within 3.5 s after the leader was killed.
const DefaultDuration = 2500 * time.Millisecond

const (
	// renewals is how many times a lease is renewed while it lasts.
	renewals = 5
	// looks is how many times a candidate looks at it meanwhile.
	looks = 10
	// asks is how many times it asks for one look, if no answer comes, before it gives that up.
	asks = 8
)

// Leader is who leads, as far as is known here.
type Leader struct {
	Name    string
	Address string
	Term    uint64 // counts how often the lease has changed hands
}

// claim is the stored form of a lease, JSON for people who look into the store.
type claim struct {
	Leader   string        `json:"leader"`
	Address  string        `json:"address"`
	Term     uint64        `json:"term"`     // grows by one each time the lease changes hands
	Token    string        `json:"token"`    // fresh for each attempt to take the lease
	Renewal  uint64        `json:"renewal"`  // grows by one with each renewal
	Duration time.Duration `json:"duration"` // nanoseconds
	Released bool          `json:"released"` // given up: anybody may take it at once
}

// Elector takes leases for one daemon.
type Elector struct {
	store Store
	opt   Options
	log   *zap.Logger

	mu     sync.Mutex
	leader Leader // zero: unknown, or nobody
	double Leader // the last one told of that has this daemon's name
	seen   sight  // the last of the Acquire before: a store that has forgotten it may have forgotten a lease that still counts
	held   *Lease // the last one; nil: there has been none
	unread error  // why the lease could not be read the last time; nil: it was
}

// New returns an elector; it does nothing until Acquire.
func New(store Store, opt Options) (*Elector, error) {
	opt.Duration = cmp.Or(opt.Duration, DefaultDuration)
	if opt.Log == nil {
		opt.Log = zap.NewNop()
	}
	switch {
	case opt.Name == "":
		return nil, errors.New("lead: Options.Name is empty: give this daemon a name of its own")
	case opt.Duration < 10*time.Millisecond:
		return nil, fmt.Errorf("lead: Options.Duration is %v: a lease needs time to be renewed, give 10ms or more", opt.Duration)
	}
	return &Elector{store: store, opt: opt, log: opt.Log}, nil
}

// Leader returns who leads as last seen. It may be out of date, and is the zero Leader where nobody is known to.
func (e *Elector) Leader() Leader {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.leader
}

// Trouble says why the lease could not be read when this daemon looked last; nil: it was read. A daemon that leads does not look.
func (e *Elector) Trouble() error {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.unread
}

func (e *Elector) see(l Leader) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.leader = l
}

// sight is a lease as a candidate has seen it.
type sight struct {
	entry Entry
	claim claim
	at    time.Time // when this revision was first seen
	known bool
}

// patience is how long a candidate waits from the moment it has seen a lease: the tenth on top is far more than two
// monotonic clocks drift apart, and gives the holder time to have stopped.
func patience(c claim) time.Duration { return c.Duration + c.Duration/10 }

// over says whether the lease has ended. Of a store in which there has never been one nothing is waited for.
func (s sight) over(now time.Time) bool {
	return s.claim.Released || now.Sub(s.at) >= patience(s.claim)
}

// Acquire waits until this daemon holds the lease. The error is that of ctx. One call follows the other.
func (e *Elector) Acquire(ctx context.Context) (*Lease, error) {
	seen := e.seen
	defer func() { e.seen = seen }()
	poll := time.NewTimer(0)
	defer poll.Stop()
	var tried string // the token of an attempt whose outcome is unknown
	var triedAt time.Time
	for {
		if err := e.look(ctx, &seen); err != nil {
			e.log.Debug("lease not read", zap.Error(err))
		} else {
			switch now := time.Now(); {
			case tried != "" && seen.claim.Token == tried && now.Before(triedAt.Add(e.opt.Duration)):
				return e.hold(seen.claim, seen.entry.Revision, triedAt), nil // it was stored, only its answer was lost
			case seen.over(now), e.ownEnded(seen):
				c := e.next(seen.claim)
				revision, sent, err := e.swap(ctx, c, seen.entry.Revision)
				if err == nil {
					return e.hold(c, revision, sent), nil
				}
				if errors.Is(err, ErrChanged) {
					e.log.Info("lease not taken: it has changed since it was seen", zap.Uint64("seen", seen.entry.Revision), zap.Duration("ago", now.Sub(seen.at)))
					seen = sight{} // another was faster; or the store began anew, and counts from 1 again
				} else {
					tried, triedAt = c.Token, sent
					e.log.Warn("lease not taken, as far as can be told", zap.Error(err))
				}
			}
		}
		poll.Reset(e.pause(seen))
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-poll.C:
		}
	}
}

// ownEnded says whether the lease that was seen is one that this daemon held and has lost since, because the store was away.
// Nobody holds it then, and nobody knows that sooner; another who has waited for its end may take it at the same time, and
// the store lets one of the two.
func (e *Elector) ownEnded(seen sight) bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.held == nil || seen.claim.Token == "" || seen.claim.Token != e.held.claim.Token {
		return false
	}
	select {
	case <-e.held.kept: // nothing renews it any more
		return !e.held.Valid()
	default:
		return false
	}
}

// pause is how long a candidate waits before it looks again: no longer than until the lease it has seen is over.
func (e *Elector) pause(seen sight) time.Duration {
	pause := e.opt.Duration / looks
	if left := time.Until(seen.at.Add(patience(seen.claim))); seen.known && left > 0 {
		return min(pause, left)
	}
	return pause
}

// look reads the lease, and notes when it was first seen like this.
func (e *Elector) look(ctx context.Context, seen *sight) error {
	entry, err := e.read(ctx)
	e.mu.Lock()
	e.unread = err
	e.mu.Unlock()
	if err != nil {
		if seen.known && seen.over(time.Now()) {
			e.see(Leader{})
		}
		return err
	}
	if seen.known && entry.Revision <= seen.entry.Revision && entry.Revision > 0 {
		if seen.over(time.Now()) {
			e.see(Leader{})
		}
		return nil // the same, or older than what was seen before
	}
	before := *seen
	*seen = sight{entry: entry, at: time.Now(), known: true}
	if entry.Revision == 0 {
		e.see(Leader{})
		if before.entry.Revision > 0 { // the store has forgotten a lease that may still count
			seen.claim = claim{Term: before.claim.Term, Duration: e.opt.Duration}
		} else if before.known {
			*seen = before
		}
		return nil
	}
	if err := json.Unmarshal(entry.Value, &seen.claim); err != nil || seen.claim.Duration <= 0 || seen.claim.Duration > time.Minute {
		// Nobody has written this: wait for as long as a lease lasts here, and take its place.
		e.log.Error("the lease is not one; it is replaced", zap.ByteString("value", entry.Value), zap.Error(err))
		seen.claim = claim{Duration: e.opt.Duration}
	}
	if seen.claim.Released {
		e.see(Leader{})
		return nil
	}
	leader := Leader{Name: seen.claim.Leader, Address: seen.claim.Address, Term: seen.claim.Term}
	e.see(leader)
	renewed := before.claim.Token == seen.claim.Token // by one that lives, not left by this daemon before it was given another address
	if renewed && leader.Name == e.opt.Name && leader.Address != e.opt.Address && leader != e.double {
		e.double = leader
		e.log.Error("another daemon has the same name as this one: give each a name of its own (--name)", zap.String("name", leader.Name), zap.String("its address", leader.Address))
	}
	return nil
}

// read reads the lease. What is asked while the store's servers choose who leads it, or over a connection that is dead, is
// lost; so it is asked again from time to time, and the first answer counts.
func (e *Elector) read(ctx context.Context) (Entry, error) {
	ctx, cancel := context.WithTimeout(ctx, e.opt.Duration)
	defer cancel()
	type answer struct {
		entry Entry
		err   error
	}
	answers := make(chan answer, asks)
	again := time.NewTicker(e.opt.Duration / asks)
	defer again.Stop()
	for asked, open := 0, 0; ; {
		if asked < asks {
			asked, open = asked+1, open+1
			go func() {
				entry, err := e.store.Read(ctx)
				answers <- answer{entry, err}
			}()
		}
		for waiting := true; waiting; {
			select {
			case a := <-answers:
				if open--; a.err == nil || open == 0 {
					return a.entry, a.err
				}
			case <-again.C:
				waiting = asked == asks
			}
		}
	}
}

// next is the claim with which this daemon takes the lease after another.
func (e *Elector) next(before claim) claim {
	return claim{Leader: e.opt.Name, Address: e.opt.Address, Term: before.Term + 1, Token: rand.Text(), Duration: e.opt.Duration}
}

// swap stores a claim, and says when it was sent.
func (e *Elector) swap(ctx context.Context, c claim, revision uint64) (stored uint64, sent time.Time, err error) {
	value, err := json.Marshal(c)
	if err != nil {
		return 0, time.Time{}, fmt.Errorf("encode lease: %w", err)
	}
	ctx, cancel := context.WithTimeout(ctx, e.opt.Duration*2/renewals)
	defer cancel()
	sent = time.Now()
	stored, err = e.store.Swap(ctx, value, revision)
	return stored, sent, err
}

func (e *Elector) hold(c claim, revision uint64, sent time.Time) *Lease {
	e.see(Leader{Name: c.Leader, Address: c.Address, Term: c.Term})
	l := &Lease{elector: e, claim: c, revision: revision, lost: make(chan struct{}), kept: make(chan struct{})}
	l.extend(sent)
	e.mu.Lock()
	e.held = l
	e.mu.Unlock()
	var ctx context.Context
	ctx, l.stop = context.WithCancel(context.Background())
	go l.keep(ctx)
	return l
}
