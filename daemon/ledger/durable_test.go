package ledger_test

import (
	"errors"
	"fmt"
	"net"
	"net/url"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tandem/daemon/ledger"
	"tandem/daemon/ledger/ledgertest"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

func TestNotDurable(t *testing.T) {
	lazy := startStore(t, t.TempDir(), func(o *server.Options) { o.SyncAlways = false })
	if _, err := ledger.OpenJetStream(t.Context(), lazy.js, lazy.options()); !errors.Is(err, ledger.ErrNotDurable) {
		t.Errorf("server that writes to disk later: got error %v, want ErrNotDurable", err)
	}
	if streams := lazy.js.StreamNames(t.Context()); len(streams.Name()) != 0 {
		t.Error("a stream was made all the same")
	}
	s := startStore(t, t.TempDir())
	unknown := errors.New("no answer")
	opts := ledger.Options{SyncAlways: func() (bool, error) { return true, unknown }}
	if _, err := ledger.OpenJetStream(t.Context(), s.js, opts); !errors.Is(err, ledger.ErrNotDurable) || !errors.Is(err, unknown) {
		t.Errorf("nobody can tell: got error %v, want ErrNotDurable and the cause", err)
	}
}

// withAccounts gives a server a system account with user sys, and a user app that may not ask about servers.
func withAccounts(o *server.Options) {
	system, app := server.NewAccount("SYS"), server.NewAccount("APP")
	o.Accounts = []*server.Account{system, app}
	o.SystemAccount = "SYS"
	o.Users = []*server.User{
		{Username: "sys", Password: "sys-secret", Account: system},
		{Username: "app", Password: "app-secret", Account: app},
	}
	o.NoSystemAccount = false
}

func TestClusterSyncAlwaysOfOneServer(t *testing.T) {
	for _, always := range []bool{true, false} {
		srv := startServer(t, serverOptions(t.TempDir(), withAccounts, func(o *server.Options) { o.SyncAlways = always }))
		sys := connect(t, nats.InProcessServer(srv), nats.UserInfo("sys", "sys-secret"))
		if got, err := ledger.ClusterSyncAlways(sys, 5*time.Second)(); err != nil || got != always {
			t.Errorf("got %t, error %v, want %t", got, err, always)
		}
		app := connect(t, nats.InProcessServer(srv), nats.UserInfo("app", "app-secret"))
		if got, err := ledger.ClusterSyncAlways(app, 200*time.Millisecond)(); err == nil {
			t.Errorf("asked from an ordinary account: got %t, want an error", got)
		}
	}
}

// freePorts returns ports on the loopback that nobody listens on.
func freePorts(tb testing.TB, n int) []int {
	tb.Helper()
	ports := make([]int, n)
	for i := range ports {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			tb.Fatal(err)
		}
		defer func() { _ = l.Close() }()
		ports[i] = l.Addr().(*net.TCPAddr).Port
	}
	return ports
}

// TestCluster keeps a ledger on three servers, one of which is stopped on the way; then one that writes to disk later
// takes its place.
func TestCluster(t *testing.T) {
	const size = 3
	ports := freePorts(t, size)
	var routes []*url.URL
	for _, port := range ports {
		routes = append(routes, &url.URL{Scheme: "nats", Host: fmt.Sprintf("127.0.0.1:%d", port)})
	}
	dirs := make([]string, size)
	start := func(i int, always bool) *server.Server {
		return startServer(t, serverOptions(dirs[i], withAccounts, func(o *server.Options) {
			o.DontListen, o.Host, o.Port = false, "127.0.0.1", server.RANDOM_PORT // a cluster starts only behind a listener
			o.ServerName = fmt.Sprintf("ledger-test-%d", i)
			o.Cluster = server.ClusterOpts{Name: "ledger-test", Host: "127.0.0.1", Port: ports[i], NoAdvertise: true}
			o.Routes = routes
			o.SyncAlways = always
		}))
	}
	servers := make([]*server.Server, size)
	for i := range servers {
		dirs[i] = t.TempDir()
		servers[i] = start(i, true)
	}
	enableJetStream := func(srv *server.Server) {
		account, err := srv.LookupAccount("APP")
		if err != nil {
			t.Fatal(err)
		}
		if err := account.EnableJetStream(nil, nil); err != nil {
			t.Fatal(err)
		}
	}
	for _, srv := range servers {
		enableJetStream(srv)
	}
	client := func(srv *server.Server) (jetstream.JetStream, *nats.Conn) {
		js, err := jetstream.New(connect(t, nats.InProcessServer(srv), nats.UserInfo("app", "app-secret")))
		if err != nil {
			t.Fatal(err)
		}
		return js, connect(t, nats.InProcessServer(srv), nats.UserInfo("sys", "sys-secret"))
	}
	js, sys := client(servers[0])
	opts := ledger.Options{SyncAlways: ledger.ClusterSyncAlways(sys, 2*time.Second), Replicas: size}
	l, err := ledger.OpenJetStream(t.Context(), js, opts) // right away: it waits for the cluster to choose a leader
	if err != nil {
		t.Fatal(err)
	}
	want, head := ledgertest.Fill(t, l, ledger.Head{}, 50, 2)
	if err := l.SaveSnapshot(t.Context(), ledgertest.Snapshot(head, 2<<20)); err != nil {
		t.Fatal(err)
	}

	servers[2].Shutdown()
	servers[2].WaitForShutdown()
	rec := ledgertest.Next(head, 1)
	for {
		if head, err = l.Append(t.Context(), rec); err == nil {
			want = append(want, rec)
			break
		}
		if !errors.Is(err, ledger.ErrOutcomeUnknown) && !errors.Is(err, ledger.ErrConflict) && !errors.Is(err, jetstream.ErrNoStreamResponse) {
			t.Fatalf("append with one server down: %v", err)
		}
		// The stopped server may have led. With a probe that has no third server to wait for, open the ledger anew.
		reopen := opts
		reopen.SyncAlways = func() (bool, error) { return true, nil }
		if l, err = ledger.OpenJetStream(t.Context(), js, reopen); err != nil {
			t.Fatalf("open with one server down: %v", err)
		}
		if head = l.Head(); head.Revision == rec.GetRevision() {
			want = append(want, rec)
			break
		}
	}
	more, head := ledgertest.Fill(t, l, head, 20, 1)
	want = append(want, more...)

	if got, err := ledger.ClusterSyncAlways(sys, 200*time.Millisecond)(); err == nil {
		t.Errorf("one server does not answer: got %t, want an error", got)
	}
	if got, err := ledger.MajoritySyncAlways(sys, 500*time.Millisecond)(); err != nil || !got {
		t.Errorf("two of three answer: got %t, error %v, want true", got, err)
	}
	servers[2] = start(2, false)
	enableJetStream(servers[2])
	lazy := opts
	lazy.OpenTimeout = 20 * time.Second
	if _, err := ledger.OpenJetStream(t.Context(), js, lazy); !errors.Is(err, ledger.ErrNotDurable) {
		t.Errorf("one of three servers writes to disk later: got error %v, want ErrNotDurable", err)
	}
	servers[2].Shutdown()
	servers[2].WaitForShutdown()
	servers[2] = start(2, true)
	enableJetStream(servers[2])

	js, sys = client(servers[2])
	opts.SyncAlways = ledger.ClusterSyncAlways(sys, 2*time.Second)
	again, err := ledger.OpenJetStream(t.Context(), js, opts)
	if err != nil {
		t.Fatal(err)
	}
	if got := again.Head(); string(got.Hash) != string(head.Hash) {
		t.Errorf("head is %+v, want %+v", got, head)
	}
	var got []*ledgerv1.Record
	if err := again.Replay(t.Context(), 0, func(rec *ledgerv1.Record) error { got = append(got, rec); return nil }); err != nil {
		t.Fatal(err)
	}
	ledgertest.Same(t, got, want)
	if snap, err := again.LoadSnapshot(t.Context()); err != nil || snap.GetRevision() != 50 {
		t.Errorf("got snapshot of %d, error %v, want that of 50", snap.GetRevision(), err)
	}
}
