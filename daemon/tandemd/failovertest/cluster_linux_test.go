package failovertest

import (
	"context"
	"crypto/rand"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"tandem/clients/dial"
)

// place is where something listens.
type place struct {
	ns   string // network namespace; empty: the test's own
	host string
	port int
}

func (p place) String() string { return fmt.Sprintf("%s:%d", p.host, p.port) }

// server is one of the three NATS servers.
type server struct {
	*process
	name   string
	client place
	route  place
	store  string // folder; empty: one in the cluster's
}

// member is one of the daemons.
type member struct {
	*process
	name    string
	clients place
	health  healthpb.HealthClient
}

// cluster is three servers and their daemons.
type cluster struct {
	t        *testing.T
	bin      binaries
	dir      string
	secrets  map[string]string // by user
	tls      *authority        // nil: in the clear, on loopback
	servers  []*server
	members  []*member
	floor    string // path of the floor file
	office   string // namespace in which clients are, and those who look on
	asking   jetstream.JetStream
	dialFrom map[string]string // host:port -> namespace to dial it from
}

// deployed is where the files for a shop's own cluster are.
const deployed = "../../../deploy/nats"

// freePlaces returns places on loopback that nobody listens on.
func freePlaces(t *testing.T, n int) []place {
	t.Helper()
	var out []place
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		out = append(out, place{host: "127.0.0.1", port: l.Addr().(*net.TCPAddr).Port})
	}
	return out
}

// threeServers returns servers on loopback.
func threeServers(t *testing.T) (out []*server) {
	t.Helper()
	free := freePlaces(t, 6)
	for i := range 3 {
		out = append(out, &server{name: fmt.Sprintf("nats-%d", i+1), client: free[i], route: free[3+i]})
	}
	return out
}

// newCluster starts the servers of a cluster; three in places of their own if none are given.
func newCluster(t *testing.T, bin binaries, servers []*server, tls *authority) *cluster {
	t.Helper()
	c := &cluster{t: t, bin: bin, dir: t.TempDir(), secrets: map[string]string{}, servers: servers, tls: tls, dialFrom: map[string]string{}}
	if servers == nil {
		c.servers = threeServers(t)
	}
	for _, user := range []string{"ledger", "daemon", "driver", "system"} {
		c.secrets[user] = rand.Text()
		c.write(0o600, c.secrets[user]+"\n", "credentials", user)
	}
	if tls != nil {
		c.write(0o644, string(tls.pem), "credentials", "ca.pem")
	}
	c.floor = c.write(0o644, floorFile, "floor.yaml")
	for _, s := range c.servers {
		c.dialFrom[s.client.String()] = s.client.ns
		path := c.configure(s)
		if out, err := exec.Command(bin.server, "-t", "-c", path).CombinedOutput(); err != nil {
			t.Fatalf("the server does not take its settings: %v\n%s", err, out)
		}
		s.process = startProcess(t, s.client.ns, s.name, bin.server, "-c", path)
	}
	return c
}

// write writes a file of the cluster and returns its path.
func (c *cluster) write(mode os.FileMode, content string, path ...string) string {
	c.t.Helper()
	name := filepath.Join(append([]string{c.dir}, path...)...)
	if err := os.MkdirAll(filepath.Dir(name), 0o700); err != nil {
		c.t.Fatal(err)
	}
	if err := os.WriteFile(name, []byte(content), mode); err != nil {
		c.t.Fatal(err)
	}
	return name
}

// configure makes a server's settings from the deployed files: the common one as it is, the two others from their
// examples, in which only values are replaced.
func (c *cluster) configure(s *server) string {
	c.t.Helper()
	read := func(name string) string {
		content, err := os.ReadFile(filepath.Join(deployed, name))
		if err != nil {
			c.t.Fatal(err)
		}
		return string(content)
	}
	secrets := read("secrets.conf.example")
	for user, secret := range c.secrets {
		secrets = c.replace(secrets, user+`_password: "CHANGE-ME"`, fmt.Sprintf("%s_password: %q", user, secret))
	}
	node := read("node.conf.example")
	node = c.replace(node, "server_name: nats-1", "server_name: "+s.name)
	node = c.replace(node, `listen: "127.0.0.1:4222"`, fmt.Sprintf("listen: %q", s.client))
	node = c.replace(node, `listen: "127.0.0.1:6222"`, fmt.Sprintf("listen: %q", s.route))
	for i, other := range c.servers {
		node = c.replace(node, fmt.Sprintf(`"nats-route://127.0.0.1:%d"`, 6222+i), fmt.Sprintf(`"nats-route://%s"`, other.route))
	}
	if s.store == "" {
		s.store = filepath.Join(c.dir, s.name, "store")
	}
	node = c.replace(node, `node_store: "/var/lib/tandem-nats"`, fmt.Sprintf("node_store: %q", s.store))
	node = c.replace(node, "node_max_store: 64GB", "node_max_store: 1GB")
	if c.tls != nil {
		node = uncomment(node)
		cert, key := c.tls.issue(c.t, s.client.host)
		node = strings.ReplaceAll(node, "/etc/tandem-nats/tls/cert.pem", c.write(0o600, cert, s.name, "cert.pem"))
		node = strings.ReplaceAll(node, "/etc/tandem-nats/tls/key.pem", c.write(0o600, key, s.name, "key.pem"))
		node = strings.ReplaceAll(node, "/etc/tandem-nats/tls/ca.pem", filepath.Join(c.dir, "credentials", "ca.pem"))
	}
	c.write(0o600, secrets, s.name, "secrets.conf")
	c.write(0o600, node, s.name, "node.conf")
	return c.write(0o600, read("cluster.conf"), s.name, "cluster.conf")
}

// replace replaces what must be there.
func (c *cluster) replace(text, old, with string) string {
	c.t.Helper()
	if !strings.Contains(text, old) {
		c.t.Fatalf("the deployed file no longer says %s", old)
	}
	return strings.Replace(text, old, with, 1)
}

// uncomment makes the blocks for TLS count.
func uncomment(text string) string {
	lines := strings.Split(text, "\n")
	inside := false
	for i, line := range lines {
		bare := strings.TrimSpace(line)
		switch {
		case bare == "# tls {":
			inside = true
		case !inside:
			continue
		}
		lines[i] = strings.Replace(line, "# ", "", 1)
		if bare == "# }" {
			inside = false
		}
	}
	return strings.Join(lines, "\n")
}

// urls are the servers' addresses, with those of a namespace first.
func (c *cluster) urls(ns string) string {
	scheme := "nats://"
	if c.tls != nil {
		scheme = "tls://"
	}
	var near, far []string
	for _, s := range c.servers {
		if s.client.ns == ns {
			near = append(near, scheme+s.client.String())
		} else {
			far = append(far, scheme+s.client.String())
		}
	}
	return strings.Join(append(near, far...), ",")
}

// join starts a daemon that is one of the cluster's.
func (c *cluster) join(name string, at place) *member {
	c.t.Helper()
	return c.joinReached(name, at, at)
}

// joinReached is join for a daemon that clients reach elsewhere than where it listens, from the namespace of that place.
func (c *cluster) joinReached(name string, at, reached place) *member {
	c.t.Helper()
	m := &member{name: name, clients: reached}
	c.dialFrom[reached.String()], c.dialFrom[at.String()] = reached.ns, at.ns
	if reached != at {
		c.forward(at, reached.String())
	}
	m.process = startProcess(c.t, at.ns, name, c.bin.daemon, "serve", "--data-dir", filepath.Join(c.dir, name), "--floor", c.floor,
		"--listen", at.String(), "--cluster", c.urls(at.ns), "--name", name, "--credentials", filepath.Join(c.dir, "credentials"),
		"--time-scale", fmt.Sprint(timesFaster), "--plan-search", "off", "--log-format", "json")
	conn, err := grpc.NewClient("passthrough:///"+at.String(), grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithContextDialer(c.dialer))
	if err != nil {
		c.t.Fatal(err)
	}
	c.t.Cleanup(func() { _ = conn.Close() })
	m.health = healthpb.NewHealthClient(conn)
	c.members = append(c.members, m)
	return m
}

// dialer dials an address from the namespace it is in.
func (c *cluster) dialer(ctx context.Context, address string) (net.Conn, error) {
	var conn net.Conn
	err := within(c.dialFrom[address], func() (err error) {
		conn, err = new(net.Dialer).DialContext(ctx, "tcp", address)
		return err
	})
	return conn, err
}

// serves reports whether a daemon says that it leads.
func (m *member) serves() bool {
	ctx, cancel := context.WithTimeout(m.t.Context(), 500*time.Millisecond)
	defer cancel()
	r, err := m.health.Check(ctx, &healthpb.HealthCheckRequest{})
	return err == nil && r.GetStatus() == healthpb.HealthCheckResponse_SERVING
}

// leader waits until a daemon other than one leads.
func (c *cluster) leader(within time.Duration, but *member) *member {
	c.t.Helper()
	var leads *member
	eventually(c.t, within, "a daemon leads", func() bool {
		for _, m := range c.members {
			if m != but && m.running() && m.serves() {
				leads = m
				return true
			}
		}
		return false
	})
	return leads
}

// addresses are those of all daemons, as a client is given them.
func (c *cluster) addresses() string {
	var out []string
	for _, m := range c.members {
		out = append(out, m.clients.String())
	}
	return strings.Join(out, ",")
}

// client is a client that knows every daemon's address.
func (c *cluster) client() *grpc.ClientConn {
	c.t.Helper()
	conn, err := dial.Open(dial.Config{Address: c.addresses(), UserAgent: "failover-test", Options: []grpc.DialOption{grpc.WithContextDialer(c.dialer)}})
	if err != nil {
		c.t.Fatal(err)
	}
	c.t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// nats connects to the servers as one of the users, from a namespace.
func (c *cluster) nats(ns, user string, more ...nats.Option) *nats.Conn {
	c.t.Helper()
	options := append([]nats.Option{
		nats.UserInfo(user, c.secrets[user]), nats.MaxReconnects(-1), nats.ReconnectWait(100 * time.Millisecond), nats.DontRandomize(),
		nats.PingInterval(200 * time.Millisecond), nats.Timeout(time.Second), nats.SetCustomDialer(natsDialer{ns}),
	}, more...)
	if c.tls != nil {
		options = append(options, nats.RootCAs(filepath.Join(c.dir, "credentials", "ca.pem")))
	}
	var nc *nats.Conn
	eventually(c.t, 20*time.Second, "connected as "+user, func() bool {
		var err error
		nc, err = nats.Connect(c.urls(ns), options...)
		return err == nil
	})
	c.t.Cleanup(nc.Close)
	return nc
}

// natsDialer dials from a namespace.
type natsDialer struct{ ns string }

func (d natsDialer) Dial(network, address string) (conn net.Conn, err error) {
	err = within(d.ns, func() (err error) {
		conn, err = net.DialTimeout(network, address, 2*time.Second)
		return err
	})
	return conn, err
}
