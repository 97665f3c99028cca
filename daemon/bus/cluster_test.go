package bus

import (
	"context"
	"errors"
	"net"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	natsserver "github.com/nats-io/nats-server/v2/server"
)

const deployed = "../../deploy/nats"

// deployedOptions reads the settings of a shop's own servers as the server does.
func deployedOptions(t *testing.T) *natsserver.Options {
	t.Helper()
	dir := t.TempDir()
	for from, to := range map[string]string{"cluster.conf": "cluster.conf", "node.conf.example": "node.conf", "secrets.conf.example": "secrets.conf"} {
		content, err := os.ReadFile(filepath.Join(deployed, from))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, to), content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	opts, err := natsserver.ProcessConfigFile(filepath.Join(dir, "cluster.conf"))
	if err != nil {
		t.Fatal(err)
	}
	return opts
}

// The servers of a cluster let everybody do what the embedded one does, and no more.
func TestDeployedServersAreLikeTheEmbeddedOne(t *testing.T) {
	got := deployedOptions(t)
	want, err := serverOptions(ServerConfig{StoreDir: t.TempDir(), MaxStore: 1 << 30, MaxPayload: greatestMaxPayload}, "", 0, newSecrets(strings.Repeat("A", shortestToken)))
	if err != nil {
		t.Fatal(err)
	}
	if !got.SyncAlways {
		t.Error("the servers do not write to disk before they acknowledge")
	}
	if got.MaxPayload != want.MaxPayload || got.MaxConn != want.MaxConn || got.JetStreamMaxMemory != want.JetStreamMaxMemory || got.JetStreamMaxStore <= 0 {
		t.Errorf("limits are %d, %d, %d, %d", got.MaxPayload, got.MaxConn, got.JetStreamMaxMemory, got.JetStreamMaxStore)
	}
	user := func(o *natsserver.Options, name string) *natsserver.User {
		for _, u := range o.Users {
			if u.Username == name {
				return u
			}
		}
		t.Fatalf("there is no user %s", name)
		return nil
	}
	for _, name := range []string{LedgerUser, daemonUser, driverUser} {
		g, w := user(got, name), user(want, name)
		if g.Account.GetName() != w.Account.GetName() || !reflect.DeepEqual(g.Permissions, w.Permissions) {
			t.Errorf("user %s is in account %s and may %+v,\nwant %s and %+v", name, g.Account.GetName(), g.Permissions, w.Account.GetName(), w.Permissions)
		}
	}
	if got.SystemAccount != user(got, systemUser).Account.GetName() || got.SystemAccount == "" {
		t.Errorf("user %s is not in the system account %q", systemUser, got.SystemAccount)
	}
	if len(got.Users) != 4 {
		t.Errorf("%d users, want 4", len(got.Users))
	}
	if got.NoAuthUser != "" {
		t.Error("somebody gets in without a password")
	}
}

// credentials writes the four passwords into a folder.
func credentials(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	for _, user := range []string{LedgerUser, daemonUser, driverUser, systemUser} {
		if err := os.WriteFile(filepath.Join(dir, user), []byte(strings.Repeat("Q", 32)+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func TestOpenClusterRefuses(t *testing.T) {
	good := func() ClusterConfig {
		return ClusterConfig{URLs: []string{"nats://127.0.0.1:4222", "tls://nats-2:4222"}, Credentials: credentials(t), StoreDir: t.TempDir(), Name: "a"}
	}
	c, err := OpenCluster(good())
	if err != nil {
		t.Fatal(err)
	}
	if c.URL() != "nats://127.0.0.1:4222,tls://nats-2:4222" {
		t.Errorf("drivers connect to %s", c.URL())
	}
	c.Shutdown()
	for want, change := range map[string]func(*ClusterConfig){
		"no address":           func(c *ClusterConfig) { c.URLs = nil },
		"TLS and credentials":  func(c *ClusterConfig) { c.URLs = []string{"nats://192.0.2.7:4222"} },
		"carries a user":       func(c *ClusterConfig) { c.URLs = []string{"tls://a:b@nats-1:4222"} },
		"nats:// or tls://":    func(c *ClusterConfig) { c.URLs = []string{"ws://127.0.0.1:4222"} },
		"no host":              func(c *ClusterConfig) { c.URLs = []string{"tls://:4222"} },
		"comes twice":          func(c *ClusterConfig) { c.URLs = []string{"tls://a:1", "tls://a:1"} },
		"there is no file":     func(c *ClusterConfig) { _ = os.Remove(filepath.Join(c.Credentials, systemUser)) },
		"read by everybody":    func(c *ClusterConfig) { _ = os.Chmod(filepath.Join(c.Credentials, driverUser), 0o644) },
		"make one from chance": nil,
	} {
		cfg := good()
		if change == nil {
			if err := os.WriteFile(filepath.Join(cfg.Credentials, LedgerUser), []byte("secret"), 0o600); err != nil {
				t.Fatal(err)
			}
		} else {
			change(&cfg)
		}
		if c, err := OpenCluster(cfg); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want one with %q", err, want)
			if err == nil {
				c.Shutdown()
			}
		}
	}
	// A group that may read is how services share a password with systemd's credentials.
	cfg := good()
	if err := os.Chmod(filepath.Join(cfg.Credentials, LedgerUser), 0o440); err != nil {
		t.Fatal(err)
	}
	first, err := OpenCluster(cfg)
	if err != nil {
		t.Fatal(err)
	}
	defer first.Shutdown()
	if _, err := OpenCluster(cfg); !errors.Is(err, ErrInUse) {
		t.Errorf("two in one folder: error %v, want ErrInUse", err)
	}
}

// A daemon waits for its cluster for ever; who does one thing and ends does not: nobody would see why it stands still.
func TestServersThatAreNotThere(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	url := "nats://" + listener.Addr().String()
	if err := listener.Close(); err != nil {
		t.Fatal(err)
	}
	for within, want := range map[time.Duration]string{100 * time.Millisecond: "start the servers", 0: context.DeadlineExceeded.Error()} {
		c, err := OpenCluster(ClusterConfig{URLs: []string{url}, Credentials: credentials(t), Name: "a", ReachWithin: within})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 4*time.Second)
		if conn, err := c.LedgerConn(ctx); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("within %v: connection %v, error %v, want one with %q", within, conn, err, want)
		}
		cancel()
		c.Shutdown()
	}
}
