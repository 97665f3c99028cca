package lead_test

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tandem/daemon/lead"
)

// startJetStream returns JetStream of a server that ends with the test.
func startJetStream(t *testing.T) jetstream.JetStream {
	t.Helper()
	srv, err := server.NewServer(&server.Options{
		ServerName: "lead-test", DontListen: true, JetStream: true, StoreDir: t.TempDir(), SyncAlways: true, NoSigs: true, NoLog: true,
	})
	if err != nil {
		t.Fatal(err)
	}
	srv.Start()
	t.Cleanup(func() { srv.Shutdown(); srv.WaitForShutdown() })
	if !srv.ReadyForConnections(20 * time.Second) {
		t.Fatal("the server does not start")
	}
	nc, err := nats.Connect("", nats.InProcessServer(srv))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	return js
}

// The contract of a store, held by both of them.
func TestStores(t *testing.T) {
	js := startJetStream(t)
	stream, err := lead.OpenStream(t.Context(), js, 1)
	if err != nil {
		t.Fatal(err)
	}
	for name, s := range map[string]lead.Store{"memory": &lead.Memory{}, "stream": stream} {
		t.Run(name, func(t *testing.T) {
			if e, err := s.Read(t.Context()); err != nil || e.Revision != 0 {
				t.Fatalf("an empty store gives %+v, error %v", e, err)
			}
			var revision uint64
			for i := range 5 {
				value := []byte{'a' + byte(i)}
				next, err := s.Swap(t.Context(), value, revision)
				if err != nil || next <= revision {
					t.Fatalf("swap at %d: %d, error %v", revision, next, err)
				}
				if _, err := s.Swap(t.Context(), []byte("x"), revision); !errors.Is(err, lead.ErrChanged) {
					t.Errorf("swap at %d when it is at %d: error %v, want ErrChanged", revision, next, err)
				}
				if _, err := s.Swap(t.Context(), []byte("x"), next+1); !errors.Is(err, lead.ErrChanged) {
					t.Errorf("swap at %d when it is at %d: error %v, want ErrChanged", next+1, next, err)
				}
				if e, err := s.Read(t.Context()); err != nil || e.Revision != next || string(e.Value) != string(value) {
					t.Errorf("read %+v, error %v, want %q at %d", e, err, value, next)
				}
				revision = next
			}
		})
	}
	info, err := js.Stream(t.Context(), lead.StreamName)
	if err != nil || info.CachedInfo().State.Msgs != 1 {
		t.Errorf("the stream holds %d messages, error %v, want 1", info.CachedInfo().State.Msgs, err)
	}
	if _, err := lead.OpenStream(t.Context(), js, 1); err != nil {
		t.Errorf("open what is there: %v", err)
	}
}

// Somebody removes the stream by hand: who led with it stops, and one of the daemons leads again without any being started anew.
// Whoever had seen the lease waits until it must have ended before it takes the next one.
func TestRemovedStreamIsMadeAgain(t *testing.T) {
	js := startJetStream(t)
	var daemons []*lead.Elector
	for _, name := range []string{"a", "b"} {
		stream, err := lead.OpenStream(t.Context(), js, 1)
		if err != nil {
			t.Fatal(err)
		}
		e, err := lead.New(stream, lead.Options{Name: name, Duration: time.Second})
		if err != nil {
			t.Fatal(err)
		}
		daemons = append(daemons, e)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	first, err := daemons[0].Acquire(ctx)
	if err != nil {
		t.Fatal(err)
	}
	defer first.Release(t.Context())
	// The other follows, as an engine that is opened anew does: with one call after another.
	glance, end := context.WithTimeout(ctx, 300*time.Millisecond)
	defer end()
	if _, err := daemons[1].Acquire(glance); !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("the lease of another is taken, error %v", err)
	}
	if err := js.DeleteStream(ctx, lead.StreamName); err != nil {
		t.Fatal(err)
	}
	second, err := daemons[1].Acquire(ctx)
	if err != nil {
		t.Fatalf("nobody leads any more: %v", err)
	}
	defer second.Release(t.Context())
	if first.Valid() {
		t.Error("two leases are valid at once")
	}
	info, err := js.Stream(ctx, lead.StreamName)
	if err != nil || !info.CachedInfo().Config.DenyDelete || info.CachedInfo().Config.MaxMsgs != 1 {
		t.Errorf("the stream is made again as %+v, error %v", info, err)
	}
}
