package bus

import (
	"bufio"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"
)

// daemonDir, if set in the environment, turns the test program into a daemon that owns that directory until killed.
const daemonDir = "TANDEM_TEST_DAEMON_DIR"

func TestMain(m *testing.M) {
	if dir := os.Getenv(daemonDir); dir != "" {
		if _, err := StartServer(ServerConfig{StoreDir: dir, MaxStore: 1 << 30}); err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		fmt.Println("ready")
		select {}
	}
	os.Exit(m.Run())
}

func TestListenOnlyOnLoopback(t *testing.T) {
	for _, tt := range []struct {
		listen, host string
		port         int
		refused      string
	}{
		{listen: "", host: "", port: 0},
		{listen: "127.0.0.1:4333", host: "127.0.0.1", port: 4333},
		{listen: "127.8.0.1:4333", host: "127.8.0.1", port: 4333},
		{listen: "[::1]:0", host: "::1", port: -1},
		{listen: "localhost:1", host: "127.0.0.1", port: 1},
		{listen: "0.0.0.0:4222", refused: "TLS and credentials"},
		{listen: ":4222", refused: "TLS and credentials"},
		{listen: "[::]:4222", refused: "TLS and credentials"},
		{listen: "192.0.2.7:4222", refused: "TLS and credentials"}, // an address for documentation, RFC 5737
		{listen: "[::ffff:192.0.2.7]:4222", refused: "TLS and credentials"},
		{listen: "floor.example:4222", refused: "TLS and credentials"}, // a name for documentation, RFC 2606
		{listen: "127.0.0.1", refused: "host:port"},
		{listen: "127.0.0.1:65536", refused: "0 to 65535"},
		{listen: "127.0.0.1:-1", refused: "0 to 65535"},
	} {
		t.Run(tt.listen, func(t *testing.T) {
			host, port, err := loopback(tt.listen)
			if tt.refused != "" {
				if err == nil || !strings.Contains(err.Error(), tt.refused) {
					t.Fatalf("got %v, want an error with %q", err, tt.refused)
				}
				dir := t.TempDir()
				if s, err := StartServer(ServerConfig{StoreDir: dir, MaxStore: 1 << 30, Listen: tt.listen}); err == nil {
					s.Shutdown()
					t.Fatal("the server listens there")
				}
				return
			}
			if err != nil || host != tt.host || port != tt.port {
				t.Fatalf("got %q %d %v, want %q %d", host, port, err, tt.host, tt.port)
			}
		})
	}
}

func TestConfigRefused(t *testing.T) {
	for field, change := range map[string]func(*ServerConfig){
		"StoreDir":   func(c *ServerConfig) { c.StoreDir = "" },
		"MaxStore":   func(c *ServerConfig) { c.MaxStore = 0 },
		"MaxPayload": func(c *ServerConfig) { c.MaxPayload = 1000 },
	} {
		cfg := ServerConfig{StoreDir: t.TempDir(), MaxStore: 1 << 30}
		change(&cfg)
		if _, err := StartServer(cfg); err == nil || !strings.Contains(err.Error(), field) {
			t.Errorf("%s: got %v", field, err)
		}
	}
}

func TestPortTakenIsAnError(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	dir := t.TempDir()
	_, err = StartServer(ServerConfig{StoreDir: dir, MaxStore: 1 << 30, Listen: taken.Addr().String()})
	if err == nil || !strings.Contains(err.Error(), "in use") {
		t.Fatalf("got %v", err)
	}
	// A start that fails must leave the directory free.
	s, err := StartServer(ServerConfig{StoreDir: dir, MaxStore: 1 << 30})
	if err != nil {
		t.Fatal(err)
	}
	s.Shutdown()
}

func TestWithoutListenThereIsNoSocket(t *testing.T) {
	s := startServer(t, func(c *ServerConfig) { c.Listen = "" })
	if s.URL() != "" || s.server.Addr() != nil {
		t.Fatalf("listens at %q", s.URL())
	}
	nc, err := s.DriverConn("bundled")
	if err != nil {
		t.Fatal(err)
	}
	if err := nc.Flush(); err != nil {
		t.Fatal(err)
	}
}

func TestEveryRecordIsSynced(t *testing.T) {
	s := startServer(t)
	if always, err := s.SyncAlways(); err != nil || !always {
		t.Fatalf("got %t %v", always, err)
	}
	nc, err := s.LedgerConn()
	if err != nil {
		t.Fatal(err)
	}
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	cfg := jetstream.StreamConfig{Name: "RECORDS", Subjects: []string{"records"}}
	if _, err := js.CreateStream(t.Context(), cfg); err != nil {
		t.Fatal(err)
	}
	if ack, err := js.Publish(t.Context(), "records", []byte("one")); err != nil || ack.Sequence != 1 {
		t.Fatalf("got %v %v", ack, err)
	}
	if always, err := s.SyncAlways(); err != nil || !always {
		t.Fatalf("with a stream: got %t %v", always, err)
	}
	// A stream that opts out must be noticed.
	cfg = jetstream.StreamConfig{Name: "LAZY", Subjects: []string{"lazy"}, PersistMode: jetstream.AsyncPersistMode}
	if _, err := js.CreateStream(t.Context(), cfg); err != nil {
		t.Fatal(err)
	}
	if always, err := s.SyncAlways(); err != nil || always {
		t.Fatalf("with a lazy stream: got %t %v", always, err)
	}
}

func TestRecordsAndTokenOutliveARestart(t *testing.T) {
	dir := t.TempDir()
	here := func(c *ServerConfig) { c.StoreDir = dir }
	s := startServer(t, here)
	token, err := os.ReadFile(filepath.Join(dir, TokenFile))
	if err != nil {
		t.Fatal(err)
	}
	nc, err := s.LedgerConn()
	if err != nil {
		t.Fatal(err)
	}
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := js.CreateStream(t.Context(), jetstream.StreamConfig{Name: "RECORDS"}); err != nil {
		t.Fatal(err)
	}
	if _, err := js.Publish(t.Context(), "RECORDS", []byte("one")); err != nil {
		t.Fatal(err)
	}
	s.Shutdown()
	if !nc.IsClosed() {
		t.Error("a connection outlived its server")
	}
	if _, err := s.LedgerConn(); err == nil {
		t.Error("a stopped server gave a connection")
	}

	s = startServer(t, here)
	again, err := os.ReadFile(filepath.Join(dir, TokenFile))
	if err != nil || string(again) != string(token) {
		t.Fatalf("the token has changed, or %v", err)
	}
	if nc, err = s.LedgerConn(); err != nil {
		t.Fatal(err)
	}
	if js, err = jetstream.New(nc); err != nil {
		t.Fatal(err)
	}
	stream, err := js.Stream(t.Context(), "RECORDS")
	if err != nil {
		t.Fatal(err)
	}
	if m, err := stream.GetMsg(t.Context(), 1); err != nil || string(m.Data) != "one" {
		t.Fatalf("got %v %v", m, err)
	}
}

func TestSecondDaemonInTheSameDirectoryIsRefused(t *testing.T) {
	dir := t.TempDir()
	s := startServer(t, func(c *ServerConfig) { c.StoreDir = dir })
	_, err := StartServer(ServerConfig{StoreDir: dir, MaxStore: 1 << 30})
	if !errors.Is(err, ErrInUse) || !strings.Contains(err.Error(), fmt.Sprintf("process %d", os.Getpid())) {
		t.Fatalf("got %v", err)
	}
	// The refusal must not have hurt the first.
	if _, err := s.SyncAlways(); err != nil {
		t.Fatal(err)
	}
	s.Shutdown()
	startServer(t, func(c *ServerConfig) { c.StoreDir = dir })
}

func TestKilledDaemonLeavesTheDirectoryFree(t *testing.T) {
	dir := t.TempDir()
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	child := exec.CommandContext(t.Context(), program)
	child.Env = append(os.Environ(), daemonDir+"="+dir)
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	if line, _ := bufio.NewReader(out).ReadString('\n'); line != "ready\n" {
		t.Fatalf("the child says %q", line)
	}
	_, err = StartServer(ServerConfig{StoreDir: dir, MaxStore: 1 << 30})
	if !errors.Is(err, ErrInUse) || !strings.Contains(err.Error(), fmt.Sprintf("process %d", child.Process.Pid)) {
		t.Fatalf("while the child lives: got %v", err)
	}
	if err := child.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	if err := child.Wait(); err == nil {
		t.Fatal("the child ended by itself")
	}
	startServer(t, func(c *ServerConfig) { c.StoreDir = dir })
}

func TestToken(t *testing.T) {
	s := startServer(t)
	info, err := os.Stat(tokenPath(s))
	if err != nil {
		t.Fatal(err)
	}
	if runtime.GOOS != "windows" && info.Mode().Perm() != 0o600 {
		t.Errorf("mode is %04o", info.Mode().Perm())
	}
	for _, tt := range []struct {
		name, content, want string
		mode                os.FileMode
	}{
		{"open to others", strings.Repeat("A", 26), "chmod 600", 0o644},
		{"empty", "", "delete it and start the daemon", 0o600},
		{"torn", "ABC", "delete it and start the daemon", 0o600},
		{"foreign characters", strings.Repeat("A", 26) + "\x00", "delete it and start the daemon", 0o600},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			path := filepath.Join(dir, TokenFile)
			if err := os.WriteFile(path, []byte(tt.content), tt.mode); err != nil {
				t.Fatal(err)
			}
			_, err := StartServer(ServerConfig{StoreDir: dir, MaxStore: 1 << 30})
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Fatalf("got %v, want an error with %q", err, tt.want)
			}
			if len(tt.content) > 5 && strings.Contains(err.Error(), tt.content) {
				t.Fatal("the error shows the token")
			}
		})
	}
}

func TestLogsShowNoSecret(t *testing.T) {
	core, logs := observer.New(zapcore.DebugLevel)
	s := startServer(t, func(c *ServerConfig) { c.Log = zap.New(core) })
	// Everybody connects once, and once with the wrong secret.
	paths["tcp"](t, s)
	paths["in-process"](t, s)
	if _, err := nats.Connect(s.URL(), nats.UserInfo(driverUser, s.secrets.ledger)); err == nil {
		t.Fatal("a wrong token is good enough")
	}
	eventually(t, "the refusal is logged", func() bool {
		return logs.Filter(func(e observer.LoggedEntry) bool { return strings.Contains(e.Message, "authentication") }).Len() > 0
	})
	for _, entry := range logs.All() {
		line := fmt.Sprint(entry.Message, entry.ContextMap())
		for _, secret := range []string{s.secrets.ledger, s.secrets.daemon, s.secrets.driver} {
			if strings.Contains(line, secret) {
				t.Errorf("a log line shows a secret: %s", entry.Message)
			}
		}
	}
}

func TestServerLogIsBounded(t *testing.T) {
	core, logs := observer.New(zapcore.InfoLevel)
	l := newServerLog(zap.New(core), nil)
	for range 10 * serverLinesBurst {
		l.Errorf("peer %d", 1)
	}
	if n := logs.Len(); n < serverLinesBurst || n > serverLinesBurst+serverLinesPerSecond*int(patience/time.Second) {
		t.Fatalf("%d lines of %d written", n, 10*serverLinesBurst)
	}
	l.Fatalf("gone: %s", "disk")
	if err := l.fatal(); err == nil || err.Error() != "gone: disk" {
		t.Fatalf("got %v", err)
	}
}

func TestDialWaitsForTheDaemonAndReadsTheTokenAgain(t *testing.T) {
	dir := t.TempDir()
	here := func(c *ServerConfig) { c.StoreDir = dir }
	s := startServer(t, here)
	url, path := s.URL(), filepath.Join(dir, TokenFile)
	s.Shutdown()

	core, logs := observer.New(zapcore.WarnLevel)
	nc, err := Dial(url, path, "early", LogTo(zap.New(core)))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	if nc.IsConnected() {
		t.Fatal("connected to nobody")
	}
	eventually(t, "trouble is told", func() bool { return logs.FilterMessageSnippet("trying again").Len() == 1 })
	at := func(c *ServerConfig) { c.Listen = strings.TrimPrefix(url, "nats://") }
	s = startServer(t, here, at)
	eventually(t, "connected", nc.IsConnected)

	// The daemon makes a new token when the old one is deleted; the driver must find its way back by itself.
	s.Shutdown()
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	startServer(t, here, at)
	eventually(t, "connected with the new token", nc.IsConnected)
}

// A daemon that was restored has another token. The driver that goes on with the old one is told what to do, as its floor sees it only as silent.
func TestARefusedTokenIsToldWithTheRemedy(t *testing.T) {
	s := startServer(t)
	old := filepath.Join(t.TempDir(), TokenFile)
	if err := writeToken(old, strings.Repeat("A", 26)); err != nil {
		t.Fatal(err)
	}
	core, logs := observer.New(zapcore.WarnLevel)
	nc, err := Dial(s.URL(), old, "late", LogTo(zap.New(core)))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	eventually(t, "the refusal is told", func() bool {
		told := logs.FilterMessageSnippet("refuses this token").All()
		return len(told) == 1 && strings.Contains(fmt.Sprint(told[0].ContextMap()["remedy"]), "into the token file")
	})
}

func TestDialRefuses(t *testing.T) {
	s := startServer(t)
	for _, tt := range []struct{ address, token, want string }{
		{"nats://192.0.2.7:4222", tokenPath(s), "TLS and credentials"},
		{"nats://floor.example:4222", tokenPath(s), "TLS and credentials"},
		{"nats://127.0.0.1", tokenPath(s), "host:port"},
		{"nats://a:b@127.0.0.1:4222", tokenPath(s), "token file"},
		{"http://127.0.0.1:4222", tokenPath(s), "nats://"},
		{"127.0.0.1:4222", tokenPath(s), ""},
		{s.URL(), filepath.Join(t.TempDir(), "none"), "token"},
	} {
		nc, err := Dial(tt.address, tt.token, "driver")
		if err == nil {
			nc.Close()
		}
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: got %v, want an error with %q", tt.address, err, tt.want)
		}
	}
}

// A driver that is given another file by mistake, the floor file, say, tells nobody to delete that.
func TestDialWithAnotherFile(t *testing.T) {
	s := startServer(t)
	for _, mode := range []os.FileMode{0o600, 0o644} {
		path := filepath.Join(t.TempDir(), "floor.yaml")
		if err := os.WriteFile(path, []byte("display_name: Harbour\n"), mode); err != nil {
			t.Fatal(err)
		}
		nc, err := Dial(s.URL(), path, "driver")
		if err == nil {
			nc.Close()
		}
		if err == nil || strings.Contains(err.Error(), "delete") || !strings.Contains(err.Error(), path) || !strings.Contains(err.Error(), "name the daemon's file DATA-DIR/bus/driver-token") {
			t.Errorf("mode %v: got %v, want the file named and what to name instead", mode, err)
		}
	}
}

func TestReconnectDelayGrowsAndDiffers(t *testing.T) {
	seen := make(map[time.Duration]bool)
	for attempt := range 100 {
		d := reconnectDelay(attempt)
		if d < reconnectFirst/2 || d > reconnectAtMost {
			t.Fatalf("attempt %d waits %s", attempt, d)
		}
		if attempt > 10 && d < reconnectAtMost/2 {
			t.Fatalf("attempt %d waits only %s", attempt, d)
		}
		seen[d] = true
	}
	if len(seen) < 50 {
		t.Fatalf("%d different delays in 100", len(seen))
	}
}
