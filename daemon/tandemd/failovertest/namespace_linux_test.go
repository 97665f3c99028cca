package failovertest

import (
	"bytes"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"runtime"
	"testing"

	"golang.org/x/sys/unix"
)

// within calls f in a network namespace: what it opens stays there.
func within(ns string, f func() error) error {
	if ns == "" {
		return f()
	}
	runtime.LockOSThread()
	home, err := os.Open(fmt.Sprintf("/proc/self/task/%d/ns/net", unix.Gettid()))
	if err != nil {
		runtime.UnlockOSThread()
		return err
	}
	defer home.Close()
	there, err := os.Open("/run/netns/" + ns)
	if err != nil {
		runtime.UnlockOSThread()
		return err
	}
	defer there.Close()
	if err := unix.Setns(int(there.Fd()), unix.CLONE_NEWNET); err != nil {
		runtime.UnlockOSThread()
		return fmt.Errorf("enter network namespace %s: %w", ns, err)
	}
	result := f()
	if err := unix.Setns(int(home.Fd()), unix.CLONE_NEWNET); err != nil {
		return fmt.Errorf("leave network namespace %s: %w", ns, err) // the thread stays locked, and ends with its goroutine
	}
	runtime.UnlockOSThread()
	return result
}

// network is machines on one switch, each a network namespace.
type network struct {
	t  *testing.T
	id string
}

// newNetwork makes n machines with the addresses 10.77.0.1 and so on. Without the superuser it cannot: that fails where
// everything has to run, and skips elsewhere.
func newNetwork(t *testing.T, n int) *network {
	t.Helper()
	if os.Geteuid() != 0 {
		if os.Getenv("CI") == "true" {
			t.Fatal("network namespaces need the superuser")
		}
		t.Skip("network namespaces need the superuser")
	}
	w := &network{t: t, id: fmt.Sprintf("tf%d", os.Getpid()%100000)}
	if out, err := exec.Command("ip", "netns", "add", w.name(0)).CombinedOutput(); bytes.Contains(out, []byte("not permitted")) {
		t.Skipf("this machine permits no network namespaces: %s", out) // it lacks no part that could be installed
	} else if err != nil {
		t.Fatalf("ip netns add: %v\n%s", err, out)
	}
	t.Cleanup(func() { _ = exec.Command("ip", "netns", "del", w.name(0)).Run() })
	w.inside(0, "link", "add", "switch", "type", "bridge")
	w.inside(0, "link", "set", "switch", "up")
	for i := 1; i <= n; i++ {
		w.ip("netns", "add", w.name(i))
		t.Cleanup(func() { _ = exec.Command("ip", "netns", "del", w.name(i)).Run() })
		w.inside(0, "link", "add", w.port(i), "type", "veth", "peer", "name", "eth0", "netns", w.name(i))
		w.inside(0, "link", "set", w.port(i), "master", "switch", "up")
		w.inside(i, "addr", "add", w.host(i)+"/24", "dev", "eth0")
		w.inside(i, "link", "set", "eth0", "up")
		w.inside(i, "link", "set", "lo", "up")
	}
	return w
}

func (w *network) name(i int) string { return fmt.Sprintf("%s-%d", w.id, i) }
func (w *network) port(i int) string { return fmt.Sprintf("port%d", i) }
func (w *network) host(i int) string { return fmt.Sprintf("10.77.0.%d", i) }

// cut takes a machine's cable out of the switch, and mend puts it back.
func (w *network) cut(i int)  { w.inside(0, "link", "set", w.port(i), "down") }
func (w *network) mend(i int) { w.inside(0, "link", "set", w.port(i), "up") }

func (w *network) inside(i int, args ...string) { w.ip(append([]string{"-n", w.name(i)}, args...)...) }

func (w *network) ip(args ...string) {
	w.t.Helper()
	if out, err := exec.Command("ip", args...).CombinedOutput(); err != nil {
		w.t.Fatalf("ip %v: %v\n%s", args, err, out)
	}
}

// forward takes connections at an address of the namespace of a place, and passes them on to the place, which listens on
// loopback. A cut cable is felt as it would be without it: what was sent stays unanswered.
func (c *cluster) forward(to place, address string) {
	c.t.Helper()
	var l net.Listener
	err := within(to.ns, func() (err error) {
		l, err = net.Listen("tcp", address)
		return err
	})
	if err != nil {
		c.t.Fatal(err)
	}
	c.t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			from, err := l.Accept()
			if err != nil {
				return
			}
			go pass(from, to)
		}
	}()
}

// pass passes on what two ends say until one of them is gone.
func pass(from net.Conn, to place) {
	defer from.Close()
	var there net.Conn
	err := within(to.ns, func() (err error) {
		there, err = net.Dial("tcp", to.String())
		return err
	})
	if err != nil {
		return
	}
	defer there.Close()
	go func() {
		defer from.Close()
		_, _ = io.Copy(from, there)
	}()
	_, _ = io.Copy(there, from)
}

// servers are those of a cluster, on the first three machines.
func (w *network) servers() (out []*server) {
	for i := 1; i <= 3; i++ {
		out = append(out, &server{
			name: fmt.Sprintf("nats-%d", i), client: place{w.name(i), w.host(i), 4222}, route: place{w.name(i), w.host(i), 6222},
		})
	}
	return out
}

// onMachines makes a cluster of three machines, each with a server and the first two with a daemon, and a fourth for clients and drivers.
func onMachines(t *testing.T) (*network, *cluster) {
	t.Helper()
	net := newNetwork(t, 4)
	c := newCluster(t, built, net.servers(), newAuthority(t))
	c.office = net.name(4)
	for i, name := range []string{"floor-a", "floor-b"} {
		c.joinReached(name, place{net.name(i + 1), "127.0.0.1", 7431 + i}, place{c.office, net.host(i + 1), 7431})
	}
	return net, c
}
