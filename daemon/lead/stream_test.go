package lead_test

import (
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
