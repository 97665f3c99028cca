package main_test

import (
	"context"
	"fmt"
	"net"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials/insecure"

	"tandem/clients/follow"
	"tandem/daemon/api"
	"tandem/daemon/engine"
	"tandem/daemon/ledger"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// shop is a daemon on a TCP address that can be stopped, started again on the same or another ledger, and followed.
type shop struct {
	t       *testing.T
	address string
	store   *ledger.Memory
	engine  *engine.Engine
	stop    func()
}

func openShop(t *testing.T, store *ledger.Memory) *shop {
	t.Helper()
	s := &shop{t: t, address: "127.0.0.1:0", store: store}
	s.start()
	t.Cleanup(func() { s.stop() })
	return s
}

func (s *shop) start() {
	s.t.Helper()
	file := &tandemv1.FloorFile{Devices: []*tandemv1.Device{
		{Id: "cutter-1", Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{{Operation: "cut"}}},
	}}
	var err error
	s.engine, err = engine.Open(context.Background(), engine.Options{
		Ledger: s.store, Clock: clock.Wall(), File: file, Period: time.Minute, SnapshotEvents: 50,
		Send: func(string, *driverv1.Order, func(*driverv1.Answer, error)) {},
	})
	if err != nil {
		s.t.Fatal(err)
	}
	server, face := api.New(s.engine, api.Options{Version: "test", TimeScale: 1, Start: time.Now()})
	listener, err := net.Listen("tcp", s.address)
	if err != nil {
		s.t.Fatal(err)
	}
	s.address = listener.Addr().String()
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() {
		if err := s.engine.Run(ctx); err != nil {
			s.t.Error(err)
		}
	})
	running.Go(func() { _ = face.Serve(listener) })
	if err := s.engine.View(ctx, func(engine.State) {}); err != nil {
		s.t.Fatal(err)
	}
	var once sync.Once
	s.stop = func() {
		once.Do(func() {
			face.Shutdown()
			server.Stop()
			cancel()
			running.Wait()
		})
	}
}

// work adds n records.
func (s *shop) work(n int) {
	s.t.Helper()
	for i := range n {
		var c floor.Command = floor.PauseDevice{Device: "cutter-1", Note: fmt.Sprint("pause ", i)}
		if i%2 == 1 {
			c = floor.ResumeDevice{Device: "cutter-1"}
		}
		if _, err := s.engine.Do(s.t.Context(), floor.Meta{Actor: "mira"}, c); err != nil {
			s.t.Fatal(err)
		}
	}
}

func (s *shop) head() uint64 { return s.store.Head().Revision }

// follower holds what it is told against the ledger.
type follower struct {
	mu    sync.Mutex
	at    uint64 // last revision known
	state bool   // a whole present state has come
	seen  map[uint64]int
	gaps  []follow.Gap
	lost  int
	wrong []string
}

func (f *follower) Restart() { f.locked(func() { f.state = false }) }
func (f *follower) Back(after uint64) {
	f.locked(func() {
		if after != f.at {
			f.wrong = append(f.wrong, fmt.Sprintf("back after %d, but the last was %d", after, f.at))
		}
	})
}
func (f *follower) Lost(error)       { f.locked(func() { f.lost++ }) }
func (f *follower) Gap(g follow.Gap) { f.locked(func() { f.gaps, f.at = append(f.gaps, g), 0 }) }
func (f *follower) locked(change func()) {
	f.mu.Lock()
	defer f.mu.Unlock()
	change()
}

func (f *follower) Message(m *tandemv1.WatchEventsResponse) error {
	f.locked(func() {
		switch {
		case m.GetSnapshot().GetLast():
			f.at, f.state = m.GetRevision(), true
		case m.GetCommit() != nil:
			if m.GetRevision() != f.at+1 {
				f.wrong = append(f.wrong, fmt.Sprintf("revision %d after %d", m.GetRevision(), f.at))
			}
			f.at = m.GetRevision()
			f.seen[f.at] = len(m.GetCommit().GetEvents())
		}
	})
	return nil
}

// follow runs a client until the returned function is called, which returns once it has.
func (s *shop) follow(f *follower, from follow.Request) (leave func()) {
	s.t.Helper()
	conn, err := grpc.NewClient(s.address, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithConnectParams(grpc.ConnectParams{Backoff: backoff.Config{BaseDelay: 10 * time.Millisecond, Multiplier: 1, MaxDelay: 10 * time.Millisecond}}))
	if err != nil {
		s.t.Fatal(err)
	}
	f.seen, f.at = map[uint64]int{}, from.Revision
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- follow.Events(ctx, tandemv1.NewEventServiceClient(conn), from, f) }()
	var once sync.Once
	leave = func() {
		once.Do(func() {
			cancel()
			if err := <-ended; ctx.Err() == nil || err == nil {
				s.t.Errorf("the client ended by itself: %v", err)
			}
			_ = conn.Close()
		})
	}
	s.t.Cleanup(leave)
	return leave
}

// until waits until a client knows the ledger's last revision.
func (s *shop) until(f *follower) {
	s.t.Helper()
	for deadline := time.Now().Add(30 * time.Second); ; time.Sleep(time.Millisecond) {
		f.mu.Lock()
		at, wrong := f.at, f.wrong
		f.mu.Unlock()
		if len(wrong) > 0 {
			s.t.Fatal(wrong)
		}
		if at == s.head() {
			return
		}
		if time.Now().After(deadline) {
			s.t.Fatalf("the client stands at revision %d of %d", at, s.head())
		}
	}
}

// whole holds the events that a client has seen of each revision against the ledger's.
func (s *shop) whole(f *follower, after uint64) {
	s.t.Helper()
	f.mu.Lock()
	defer f.mu.Unlock()
	err := s.store.Replay(s.t.Context(), after, func(rec *ledgerv1.Record) error {
		if f.seen[rec.GetRevision()] != len(rec.GetEvents()) {
			s.t.Errorf("revision %d came with %d events, the ledger has %d", rec.GetRevision(), f.seen[rec.GetRevision()], len(rec.GetEvents()))
		}
		return nil
	})
	if err != nil {
		s.t.Error(err)
	}
}

func TestFollowAcrossRestarts(t *testing.T) {
	s := openShop(t, ledger.NewMemory())
	f := &follower{}
	s.follow(f, follow.Request{Revision: 1})
	for range 3 {
		s.work(20)
		s.stop() // in the middle of what the client reads
		s.start()
		s.work(5)
	}
	s.until(f)
	s.whole(f, 1)
	if len(f.gaps) > 0 || f.lost == 0 {
		t.Errorf("gaps %v, lost %d times", f.gaps, f.lost)
	}
}

// What a client has missed may be far more than the daemon keeps in memory: the rest comes from the ledger.
func TestFollowFromFarBehind(t *testing.T) {
	s := openShop(t, ledger.NewMemory())
	s.work(20_000)
	f, all := &follower{}, &follower{}
	s.follow(f, follow.Request{Revision: 3})
	s.follow(all, follow.Request{Revision: s.head() - 100})
	s.work(300)
	s.until(f)
	s.until(all)
	s.whole(f, 3)
	if len(f.gaps)+len(all.gaps) > 0 {
		t.Errorf("gaps %v %v", f.gaps, all.gaps)
	}
}

// The ledger has let go of what a client has missed: it is told so, reloads the present state and goes on from there.
func TestFollowAcrossACompactedLedger(t *testing.T) {
	s := openShop(t, ledger.NewMemory())
	f := &follower{}
	leave := s.follow(f, follow.Request{})
	s.work(20)
	s.until(f)
	leave()
	seen := f.at
	s.work(200)
	s.stop() // saves a snapshot
	if err := s.store.Compact(t.Context(), seen+100); err != nil {
		t.Fatal(err)
	}
	s.start() // with an empty memory
	again := &follower{}
	s.follow(again, follow.Request{Revision: seen})
	s.until(again)
	reloaded := again.at
	s.work(50)
	s.until(again)
	s.whole(again, reloaded)
	if len(again.gaps) != 1 || again.gaps[0] != (follow.Gap{Revision: seen, Oldest: seen + 101}) || !again.state {
		t.Errorf("gaps %v, state %v", again.gaps, again.state)
	}
	// Where the ledger still has the next record, nothing is missing.
	edge := &follower{}
	s.follow(edge, follow.Request{Revision: seen + 100})
	s.until(edge)
	s.whole(edge, seen+100)
	if len(edge.gaps) > 0 {
		t.Errorf("gaps %v", edge.gaps)
	}
}

// A backup of before is put in place of the ledger. Clients that have seen more must not go on as if nothing had happened,
// neither while the ledger is behind them nor when it has come as far again.
func TestFollowAcrossARestore(t *testing.T) {
	for _, more := range []int{5, 100} {
		t.Run(fmt.Sprint(more, " records later"), func(t *testing.T) {
			s := openShop(t, ledger.NewMemory())
			s.work(10)
			backup := ledger.NewMemory()
			err := s.store.Replay(t.Context(), 0, func(rec *ledgerv1.Record) error {
				_, err := backup.Append(t.Context(), rec)
				return err
			})
			if err != nil {
				t.Fatal(err)
			}
			f := &follower{}
			s.follow(f, follow.Request{})
			s.work(40)
			s.until(f)
			before := f.at
			s.stop()
			s.store = backup
			waitLost(t, f)
			// Records are written before the client can be back.
			address := s.address
			s.address = "127.0.0.1:0"
			s.start()
			s.work(more)
			s.stop()
			s.address = address
			s.start()
			s.until(f)
			reloaded := f.at
			s.work(50)
			s.until(f)
			s.whole(f, reloaded)
			if len(f.gaps) != 1 || f.gaps[0] != (follow.Gap{Revision: before, Restored: true}) {
				t.Errorf("gaps %v, want one at revision %d", f.gaps, before)
			}
		})
	}
}

func waitLost(t *testing.T, f *follower) {
	t.Helper()
	for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(time.Millisecond) {
		f.mu.Lock()
		lost := f.lost
		f.mu.Unlock()
		if lost > 0 {
			return
		}
		if time.Now().After(deadline) {
			t.Fatal("the client has not noticed that the daemon is away")
		}
	}
}
