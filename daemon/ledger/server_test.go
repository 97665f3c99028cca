package ledger_test

import (
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tandem/daemon/ledger"
)

// serverOptions are those of a server on dir that listens nowhere and writes to disk before it acknowledges.
func serverOptions(dir string, change ...func(*server.Options)) *server.Options {
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
	return opts
}

// startServer starts a server that is stopped at the end of the test, if it has not been before.
func startServer(tb testing.TB, opts *server.Options) *server.Server {
	tb.Helper()
	srv, err := server.NewServer(opts)
	if err != nil {
		tb.Fatalf("make server: %v", err)
	}
	srv.Start()
	tb.Cleanup(func() {
		srv.Shutdown()
		srv.WaitForShutdown()
	})
	if !srv.ReadyForConnections(20 * time.Second) {
		tb.Fatal("server does not start")
	}
	return srv
}

// connect opens a connection that is closed at the end of the test.
func connect(tb testing.TB, opts ...nats.Option) *nats.Conn {
	tb.Helper()
	nc, err := nats.Connect("", opts...)
	if err != nil {
		tb.Fatalf("connect: %v", err)
	}
	tb.Cleanup(nc.Close)
	return nc
}

// store is an embedded server with a connection to it.
type store struct {
	srv *server.Server
	nc  *nats.Conn
	js  jetstream.JetStream
}

// startStore starts a server on dir. It is stopped at the end of the test, or before by stop.
func startStore(tb testing.TB, dir string, change ...func(*server.Options)) *store {
	tb.Helper()
	srv := startServer(tb, serverOptions(dir, change...))
	nc := connect(tb, nats.InProcessServer(srv), nats.MaxReconnects(0))
	js, err := jetstream.New(nc)
	if err != nil {
		tb.Fatalf("use JetStream: %v", err)
	}
	return &store{srv: srv, nc: nc, js: js}
}

// stop ends connection and server as a service would. It may be called twice.
func (s *store) stop() {
	s.nc.Close()
	s.srv.Shutdown()
	s.srv.WaitForShutdown()
}

// options returns the settings of a ledger on this server, patient with a disk that other tests keep busy.
func (s *store) options() ledger.Options {
	return ledger.Options{SyncAlways: ledger.EmbeddedSyncAlways(s.srv), AppendTimeout: time.Minute}
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
