package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"path/filepath"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"golang.org/x/time/rate"
	"google.golang.org/grpc"

	"tandem/daemon/api"
	"tandem/daemon/bus"
	"tandem/daemon/config"
	"tandem/daemon/datadir"
	"tandem/daemon/engine"
	"tandem/daemon/lead"
	"tandem/daemon/ledger"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	// clusterCopies is the number of servers that keep the ledger and the lease: of three, one may be lost.
	clusterCopies = 3
	// durableWithin is how long the servers are given to say how they write to disk, and durableEvery how often they are
	// asked while this daemon leads: one that was away may have come back with other settings.
	durableWithin = 2 * time.Second
	durableEvery  = 15 * time.Second
	// appendWithin is longer than a store that is well takes, and no longer than a client may wait for a new leader.
	appendWithin = 3 * time.Second
	// openWithin is how long it is tried to open the ledger before people are told why that fails.
	openWithin = 10 * time.Second
	// readWithin and attemptWithin are short, so that what is lost while the servers choose a leader is soon asked again.
	readWithin, attemptWithin = 2 * time.Second, 2 * time.Second
	// tryAgain to tryAgainAtMost is the pause before a member that has failed follows anew; lasted is how long it must have
	// been well for the pause to begin small again.
	tryAgain, tryAgainAtMost = 200 * time.Millisecond, 5 * time.Second
	lasted                   = 10 * time.Second
	// sayAgain is how often the log tells of the same failure.
	sayAgain = time.Minute
	// countedWithin is how long a server that begins to lead the ledger's stream may take to know what it holds, and catchUpAgain
	// the pause before it is asked again.
	countedWithin, catchUpAgain = 5 * time.Second, 20 * time.Millisecond
	// survivedEvery is how often trouble that lasts is told: one who follows tries several times in a second.
	survivedEvery = 10 * time.Second
	// goodbyeLease is how long it may take to give up the lease.
	goodbyeLease = time.Second
)

// member is a daemon that is one of several on the same ledger: it follows, and leads when it has the lease.
type member struct {
	set     *config.Settings
	log     *zap.Logger
	cluster *bus.Cluster
	front   *front

	ledger, leasing, system *nats.Conn
	elector                 atomic.Pointer[lead.Elector]
	lease                   atomic.Pointer[lead.Lease] // nil: it does not lead
	hindrance               atomic.Pointer[string]     // why it cannot follow, so that it could not lead either; nil: it follows or leads
	standby                 *grpc.Server               // nil: it leads
	doors                   []grpc.ServerOption        // how clients get in, the same whether it leads or not
	troubles                troubles
	followed                *ledger.Note // the last record that this daemon has had, following too
	nearest                 string       // name of the first of the settings' servers; empty: not known yet; only keepApart's
}

// serveMember runs a member until ctx ends.
func serveMember(ctx context.Context, set *config.Settings, cfg daemonConfig, ready func(address)) error {
	m, err := joinCluster(ctx, set, cfg.Doors, cfg.Log)
	if err != nil {
		return err
	}
	defer m.leave()
	cfg.member = m
	pause := tryAgain
	var told string
	var toldAt time.Time
	for {
		begin := time.Now()
		err := serve(ctx, cfg, ready)
		m.stepDown()
		if ctx.Err() != nil {
			if errors.Is(err, ctx.Err()) {
				return nil
			}
			return err
		}
		if _, ok := errors.AsType[*usageError](err); ok {
			return err // its own folder or settings: another try helps nobody
		}
		if time.Since(begin) > lasted {
			pause = tryAgain
		}
		m.hinder(err)
		if text := fmt.Sprint(err); text != told || time.Since(toldAt) > sayAgain {
			m.log.Warn("following anew", zap.Error(err), zap.Duration("in", pause))
			told, toldAt = text, time.Now()
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(pause):
		}
		pause = min(2*pause, tryAgainAtMost)
	}
}

// joinCluster connects to the servers, and begins to answer clients as one who does not lead.
func joinCluster(ctx context.Context, set *config.Settings, doors []grpc.ServerOption, log *zap.Logger) (_ *member, err error) {
	m := &member{set: set, doors: doors, log: log.Named("cluster").With(zap.String("daemon", set.Name))}
	defer func() {
		if err != nil {
			m.leave()
		}
	}()
	m.cluster, err = bus.OpenCluster(bus.ClusterConfig{
		URLs: set.Cluster, Credentials: set.Credentials, StoreDir: datadir.BusDir(set.DataDir), Name: set.Name, Log: natsLog(log),
	})
	if err != nil {
		return nil, &usageError{err}
	}
	if m.followed, err = ledger.OpenNote(filepath.Join(set.DataDir, filepath.FromSlash(datadir.Followed))); err != nil {
		return nil, err
	}
	listener, err := net.Listen("tcp", set.Listen)
	if err != nil {
		return nil, fmt.Errorf("listen for clients on %s: %w", set.Listen, err)
	}
	m.front = newFront(listener)
	m.hinder(errors.New("none of the servers has been reached yet: start them, or correct their addresses in the setting cluster"))
	m.standBy()
	if m.ledger, err = m.cluster.LedgerConn(ctx); err != nil {
		return nil, err
	}
	// A connection of its own: a long replay must not keep a lease from being renewed.
	if m.leasing, err = m.cluster.LedgerConn(ctx); err != nil {
		return nil, err
	}
	if m.system, err = m.cluster.SystemConn(ctx); err != nil {
		return nil, err
	}
	m.hinder(errors.New("the ledger is not open yet"))
	return m, nil
}

// hinder notes why this daemon cannot follow, for clients that ask it; nil: it can.
func (m *member) hinder(err error) {
	if err == nil {
		m.hindrance.Store(nil)
		return
	}
	text := err.Error()
	m.hindrance.Store(&text)
}

// leave ends everything that a member has begun.
func (m *member) leave() {
	for _, c := range []*nats.Conn{m.ledger, m.leasing, m.system} {
		if c != nil {
			c.Close()
		}
	}
	if m.standby != nil {
		m.standby.Stop()
	}
	if m.front != nil {
		m.front.Close()
	}
	_ = m.followed.Close() // it is written as it goes
	if m.cluster != nil {
		m.cluster.Shutdown()
	}
}

// standBy answers clients that another leads, from now on.
func (m *member) standBy() {
	if m.standby != nil {
		return
	}
	m.standby = api.NewStandby(m.notLeader, m.doors...)
	go func(g *grpc.Server, l net.Listener) { _ = g.Serve(l) }(m.standby, m.front.turn())
}

// notLeader says who leads, as far as is known.
func (m *member) notLeader() *api.NotLeaderError {
	var l lead.Leader
	var trouble error
	if e := m.elector.Load(); e != nil {
		l, trouble = e.Leader(), e.Trouble()
	}
	switch why := m.hindrance.Load(); {
	case l.Name != "" && (l.Name != m.set.Name || l.Address != m.set.Advertise):
		return &api.NotLeaderError{Name: l.Name, Address: l.Address}
	case why != nil: // its own name is that of one that has not begun yet or has ceased
		return &api.NotLeaderError{Why: *why}
	case trouble != nil:
		return &api.NotLeaderError{Why: m.withRemedy(m.leasing, trouble).Error()}
	}
	return &api.NotLeaderError{}
}

// withRemedy adds what people can do to an error of the servers, met over a connection to the ledger's account.
func (m *member) withRemedy(over *nats.Conn, err error) error {
	return withServersRemedy(err, over.IsConnected(), over.LastError(), m.cluster.PasswordRemedy(bus.LedgerUser))
}

// leads is nil while this daemon has the lease.
func (m *member) leads() error {
	if l := m.lease.Load(); l != nil {
		return l.Err()
	}
	return lead.ErrLost
}

// open opens the ledger and the lease's store anew, once the servers are known to write to disk before they acknowledge. The ledger
// must hold the last record that the history knows, and the last one that this daemon has had, following too: servers that have lost
// their disks would let one lead that keeps no history, on what they have left.
func (m *member) open(ctx context.Context, known ledger.Head) (*ledger.JetStream, error) {
	js, err := jetstream.New(m.ledger)
	if err != nil {
		return nil, fmt.Errorf("reach JetStream: %w", err)
	}
	store, err := ledger.OpenJetStream(ctx, js, ledger.Options{
		SyncAlways: ledger.MajoritySyncAlways(m.system, durableWithin), Replicas: clusterCopies,
		OpenTimeout: openWithin, AppendTimeout: appendWithin, ReadTimeout: readWithin, AttemptTimeout: attemptWithin, Known: known, Note: m.followed,
		Survived: tellSometimes(m.log, "trouble with the ledger survived", func(err error) error { return m.withRemedy(m.ledger, err) }),
	})
	if err != nil {
		return nil, m.withRemedy(m.ledger, err)
	}
	if m.elector.Load() != nil {
		return store, nil
	}
	if js, err = jetstream.New(m.leasing); err != nil {
		return nil, fmt.Errorf("reach JetStream: %w", err)
	}
	lease, err := lead.OpenStream(ctx, js, clusterCopies)
	if err != nil {
		return nil, m.withRemedy(m.leasing, err)
	}
	elector, err := lead.New(lease, lead.Options{Name: m.set.Name, Address: m.set.Advertise, Log: m.log})
	if err != nil {
		return nil, err
	}
	m.elector.Store(elector)
	return store, nil
}

// awaitTurn lets the engine follow until this daemon has the lease, and returns when the engine may run.
func (m *member) awaitTurn(ctx context.Context, eng *engine.Engine, own *tandemv1.FloorFile) error {
	m.log.Info("following", zap.Uint64("revision", eng.Head().Revision), zap.String("clients", m.front.listener.Addr().String()),
		zap.String("server", m.leasing.ConnectedServerName()))
	m.hinder(nil)
	m.compareFile(eng, own, "the floor file of this daemon is not the one in force, and counts if it takes over: give every daemon the same file")
	waiting, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	following := make(chan error, 1)
	go func() {
		err := eng.Follow(waiting)
		cancel(err)
		following <- err
	}()
	lease, err := m.elector.Load().Acquire(waiting)
	acquired := time.Now()
	cancel(context.Canceled)
	follow := <-following
	switch {
	case err != nil && ctx.Err() != nil:
		return ctx.Err()
	case err != nil:
		return follow
	}
	m.lease.Store(lease)
	begin := time.Now()
	folded, err := eng.CatchUp(ctx)
	// The lease was stored, so the store is not far. A server that has just begun to lead the stream may not have counted yet
	// what it holds, which looks like a loss for a moment.
	for err != nil && ctx.Err() == nil && lease.Valid() && (!looksLost(err) || time.Since(begin) < countedWithin) {
		select {
		case <-time.After(catchUpAgain):
		case <-ctx.Done():
		}
		folded, err = eng.CatchUp(ctx)
	}
	if err != nil {
		return err
	}
	m.log.Info("taking the lead", zap.Uint64("turn", lease.Term()), zap.Uint64("revision", eng.Head().Revision),
		zap.Uint64("folded", folded), zap.Duration("in", time.Since(acquired)), zap.String("server", m.leasing.ConnectedServerName()))
	m.compareFile(eng, own, "this daemon puts its own floor file in force, which is another than that of the daemon before: give every daemon the same file")
	return nil
}

// compareFile warns of a floor file that is another than the one in force.
func (m *member) compareFile(eng *engine.Engine, own *tandemv1.FloorFile, warning string) {
	if eng.Head().Revision == 0 {
		return
	}
	if how := fileDifference(eng.File(), own); how != "" {
		m.log.Warn(warning, zap.String("this daemon's is", how))
	}
}

// tellSometimes returns what tells of trouble at once, and of more of it from time to time.
func tellSometimes(log *zap.Logger, what string, withRemedy func(error) error) func(error) {
	some := rate.Sometimes{Interval: survivedEvery}
	return func(err error) { some.Do(func() { log.Warn(what, zap.Error(withRemedy(err))) }) }
}

// looksLost tells a ledger that is gone or damaged from one whose servers do not answer.
func looksLost(err error) bool {
	return errors.Is(err, ledger.ErrCorrupt) || errors.Is(err, jetstream.ErrStreamNotFound)
}

// turn ends what the standby does for clients, and returns the address for the server of the daemon that leads.
func (m *member) turn() net.Listener {
	if m.standby != nil {
		m.standby.Stop()
		m.standby = nil
	}
	return m.front.turn()
}

// lost is closed when this daemon must no longer lead.
func (m *member) lost() <-chan struct{} { return m.lease.Load().Lost() }

// abandonWhenLost ends the wait of an append when the lease has ended: its outcome is looked up when the ledger is opened anew,
// and the sooner this daemon follows, the sooner it can lead again.
func (m *member) abandonWhenLost(ctx context.Context, store *ledger.JetStream) {
	select {
	case <-ctx.Done():
	case <-m.lost():
		store.Abandon()
	}
}

// stepDown gives the lease up, after everything that leads has been stopped.
func (m *member) stepDown() {
	if l := m.lease.Swap(nil); l != nil {
		ctx, cancel := context.WithTimeout(context.Background(), goodbyeLease)
		defer cancel()
		l.Release(ctx)
	}
	m.standBy()
}

// watchDurable ends the lead when a server turns up that acknowledges what it may yet forget.
func (m *member) watchDurable(ctx context.Context) {
	probe := ledger.MajoritySyncAlways(m.system, durableWithin)
	tick := time.NewTicker(durableEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		if always, err := probe(); err == nil && !always {
			m.log.Error("a server of the cluster does not write to disk before it acknowledges: set sync_interval to always there; this daemon does not lead until then")
			m.lease.Load().Release(ctx)
			return
		}
	}
}
