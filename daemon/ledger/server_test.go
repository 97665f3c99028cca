package ledger_test

import (
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tandem/daemon/ledger"
)

// store is an embedded server with a connection to it.
type store struct {
	srv *server.Server
	nc  *nats.Conn
	js  jetstream.JetStream
}

// startStore starts a server on dir that listens nowhere. It is stopped at the end of the test, or before by stop.
func startStore(tb testing.TB, dir string, change ...func(*server.Options)) *store {
	tb.Helper()
	opts := &server.Options{
		ServerName:        "ledger-test",
		DontListen:        true,
		JetStream:         true,
		StoreDir:          dir,
		SyncAlways:        true,
		JetStreamMaxStore: 8 << 30,
		MaxPayload:        ledger.ServerMaxPayload,
		NoSigs:            true,
		NoLog:             true,
	}
	for _, c := range change {
		c(opts)
	}
	srv, err := server.NewServer(opts)
	if err != nil {
		tb.Fatalf("make server: %v", err)
	}
	srv.Start()
	s := &store{srv: srv}
	tb.Cleanup(s.stop)
	if !srv.ReadyForConnections(20 * time.Second) {
		tb.Fatal("server does not start")
	}
	if s.nc, err = nats.Connect("", nats.InProcessServer(srv), nats.MaxReconnects(0)); err != nil {
		tb.Fatalf("connect: %v", err)
	}
	if s.js, err = jetstream.New(s.nc); err != nil {
		tb.Fatalf("use JetStream: %v", err)
	}
	return s
}

// stop ends connection and server as a service would. It may be called twice.
func (s *store) stop() {
	if s.nc != nil {
		s.nc.Close()
	}
	s.srv.Shutdown()
	s.srv.WaitForShutdown()
}

// options returns the settings of a ledger on this server.
func (s *store) options() ledger.Options {
	return ledger.Options{SyncAlways: ledger.EmbeddedSyncAlways(s.srv)}
}

// open opens the ledger with these options.
func (s *store) open(tb testing.TB, opts ledger.Options) *ledger.JetStream {
	tb.Helper()
	l, err := ledger.OpenJetStream(tb.Context(), s.js, opts)
	if err != nil {
		tb.Fatalf("open: %v", err)
	}
	return l
}

// configOfStream returns the settings of the stream that a new ledger makes, from a store of its own.
func configOfStream(tb testing.TB) jetstream.StreamConfig {
	tb.Helper()
	other := startStore(tb, tb.TempDir())
	defer other.stop()
	other.open(tb, other.options())
	stream, err := other.js.Stream(tb.Context(), ledger.StreamName)
	if err != nil {
		tb.Fatal(err)
	}
	return stream.CachedInfo().Config
}
