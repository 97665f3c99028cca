package bus

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"
	"golang.org/x/time/rate"

	"tandem/proto/durable"
)

// Users of a cluster's servers, and the files in the folder of credentials with their passwords. The servers' settings
// say which account each belongs to and what it may do.
const (
	systemUser = "system"

	// AuthorityFile is the file in the folder of credentials with the certificates, PEM, that the servers' are signed
	// with. It is needed for tls:// where the system does not trust them anyway.
	AuthorityFile = "ca.pem"
)

// In a cluster a connection that is dead must be found out before a lease ends, and another server tried.
const (
	clusterConnectWithin = 2 * time.Second
	clusterPing          = 500 * time.Millisecond
	clusterPings         = 4
)

// ClusterConfig says how servers in other processes are reached.
type ClusterConfig struct {
	// URLs of the servers, nats:// on loopback or tls://, the nearest first. Required.
	URLs []string
	// Credentials is the folder with one password for each user, in files of its name: ledger, daemon, driver, system.
	Credentials string
	// StoreDir is the folder that an embedded server would have. Nothing is kept there but a lock, so that two daemons do
	// not share a folder. It is created with mode 0700. Empty: no lock, for who keeps nothing.
	StoreDir string
	// Name of this daemon, for the servers' lists of connections.
	Name string
	// ReachWithin is how long servers are tried for one connection, for who does one thing and ends. 0: for ever, as a daemon does.
	ReachWithin time.Duration
	// Log takes trouble of connections. Nil: none.
	Log *zap.Logger
}

// Cluster is Server for servers that run by themselves: the same accounts and the same conversation.
type Cluster struct {
	cfg  ClusterConfig
	urls string
	lock *os.File
}

// OpenCluster checks the settings and takes the folder's lock. It connects to nothing yet.
func OpenCluster(cfg ClusterConfig) (*Cluster, error) {
	if cfg.Log == nil {
		cfg.Log = zap.NewNop()
	}
	urls, err := checkURLs(cfg.URLs)
	if err != nil {
		return nil, fmt.Errorf("reach cluster: %w", err)
	}
	c := &Cluster{cfg: cfg, urls: urls}
	for _, user := range []string{LedgerUser, daemonUser, driverUser, systemUser} {
		if _, err := c.secret(user); err != nil {
			return nil, fmt.Errorf("reach cluster: %w", err)
		}
	}
	if cfg.StoreDir == "" {
		return c, nil
	}
	if err := durable.MakeFolder(cfg.StoreDir, 0o700); err != nil {
		return nil, fmt.Errorf("reach cluster: create store directory: %w", err)
	}
	if c.lock, err = lockDir(cfg.StoreDir); err != nil {
		return nil, fmt.Errorf("reach cluster: %w", err)
	}
	return c, nil
}

// Shutdown lets another daemon have the directory. Connections made here belong to who asked for them.
func (c *Cluster) Shutdown() {
	if c.lock != nil {
		_ = c.lock.Close()
	}
}

// LedgerConn connects to the account that holds the ledger and the lease. What cannot be sent at once is not sent later.
func (c *Cluster) LedgerConn(ctx context.Context) (*nats.Conn, error) {
	return c.connect(ctx, "ledger", LedgerUser, nats.ReconnectBufSize(-1))
}

// SystemConn connects to the account that may ask the servers about themselves.
func (c *Cluster) SystemConn(ctx context.Context) (*nats.Conn, error) {
	return c.connect(ctx, "system", systemUser, nats.ReconnectBufSize(-1))
}

// FloorConn connects as the daemon, with every permission on the floor's account. While it is disconnected it refuses to
// publish: an order that cannot go out now must not go out later.
func (c *Cluster) FloorConn(name string) (*nats.Conn, error) {
	return c.connect(context.Background(), name, daemonUser, nats.CustomInboxPrefix(daemonInbox), nats.ReconnectBufSize(-1))
}

// DriverConn connects as a driver.
func (c *Cluster) DriverConn(name string) (*nats.Conn, error) {
	return c.connect(context.Background(), name, driverUser, nats.CustomInboxPrefix(driverInbox))
}

// Nearest returns the name of the first of the servers, for which it connects to that one for a moment.
func (c *Cluster) Nearest() (string, error) {
	first, _, _ := strings.Cut(c.urls, ",")
	conn, err := (&Cluster{cfg: c.cfg, urls: first}).SystemConn(context.Background())
	if err != nil {
		return "", err
	}
	defer conn.Close()
	return conn.ConnectedServerName(), nil
}

// URL is where drivers of other processes connect: every server of the cluster, with a comma in between.
func (c *Cluster) URL() string { return c.urls }

// connect tries the servers in turn until ctx ends, and returns the connection once it stands; afterwards it connects
// again for ever. A context without an end allows one round, ClusterConfig.ReachWithin what fits into it.
func (c *Cluster) connect(ctx context.Context, name, user string, more ...nats.Option) (*nats.Conn, error) {
	opts := append(forever(c.cfg.Name+" "+name),
		nats.Timeout(clusterConnectWithin),
		nats.PingInterval(clusterPing),
		nats.MaxPingsOutstanding(clusterPings),
		nats.DontRandomize(),
		nats.IgnoreAuthErrorAbort(),
		nats.UserInfoHandler(func() (string, string) {
			secret, _ := c.secret(user) // without it the server refuses, and that is what gets reported
			return user, secret
		}),
		LogTo(c.cfg.Log.With(zap.String("connection", name))),
	)
	authority := filepath.Join(c.cfg.Credentials, AuthorityFile)
	if _, err := os.Stat(authority); err == nil {
		opts = append(opts, nats.RootCAs(authority))
	}
	opts = append(opts, more...)
	complaint, begin := rate.Sometimes{Interval: complainEvery}, time.Now()
	for {
		nc, err := nats.Connect(c.urls, opts...)
		if err == nil {
			return nc, nil
		}
		if errors.Is(err, nats.ErrAuthorization) {
			return nil, fmt.Errorf("connect %s to the cluster as user %s: %w: %s", name, user, err, c.PasswordRemedy(user))
		}
		if ctx.Done() == nil {
			return nil, fmt.Errorf("connect %s to the cluster as user %s: %w", name, user, err)
		}
		if within := c.cfg.ReachWithin; within > 0 && time.Since(begin) > within {
			return nil, fmt.Errorf("connect %s to the cluster as user %s: none of %s has taken the connection for %v (%w): start the servers, or correct their addresses in the setting cluster",
				name, user, strings.Join(c.cfg.URLs, ", "), within, err)
		}
		complaint.Do(func() {
			c.cfg.Log.Warn("cluster not reached; trying again", zap.String("connection", name), zap.Strings("servers", c.cfg.URLs), zap.Error(err))
		})
		select {
		case <-ctx.Done():
			return nil, fmt.Errorf("connect %s to the cluster as user %s: %w (%w)", name, user, ctx.Err(), err)
		case <-time.After(reconnectFirst):
		}
	}
}

// PasswordRemedy says what to do when the servers do not take this daemon for one of their users.
func (c *Cluster) PasswordRemedy(user string) string {
	return fmt.Sprintf("the servers have another password for it: write theirs into %s", filepath.Join(c.cfg.Credentials, user))
}

// secret reads a user's password.
func (c *Cluster) secret(user string) (string, error) {
	path := filepath.Join(c.cfg.Credentials, user)
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "", fmt.Errorf("there is no file %s: write the password of the cluster's user %q into it", path, user)
	case err != nil:
		return "", fmt.Errorf("read credential: %w", err)
	case runtime.GOOS != "windows" && info.Mode().Perm()&0o027 != 0:
		return "", fmt.Errorf("credential %s can be read by everybody or changed by others (mode %04o): run chmod 600 on it", path, info.Mode().Perm())
	}
	content, err := os.ReadFile(path)
	if err != nil {
		return "", fmt.Errorf("read credential: %w", err)
	}
	secret := strings.TrimSpace(string(content))
	if !plainToken([]byte(secret)) {
		return "", fmt.Errorf("credential %s is not %d to %d letters A to Z and digits 2 to 7: make one from chance, such as with "+
			"`tr -dc A-Z2-7 </dev/urandom | head -c 32`", path, shortestToken, longestToken)
	}
	return secret, nil
}

// checkURLs refuses what would send a password in the clear over a network, and returns the addresses as NATS takes them.
func checkURLs(urls []string) (string, error) {
	if len(urls) == 0 {
		return "", errors.New("no address is given: name the servers, such as tls://nats-1:4222")
	}
	for i, address := range urls {
		if err := checkURL(address); err != nil {
			return "", err
		}
		if slices.Contains(urls[:i], address) {
			return "", fmt.Errorf("address %q comes twice: name each server once", address)
		}
	}
	return strings.Join(urls, ","), nil
}
