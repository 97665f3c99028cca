package snmp_test

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// printerFile is the variable that makes this test binary the program behind snmpd's pass_persist, see snmpd.conf(5). It
// names a file with a line for each object: OID TYPE VALUE.
const printerFile = "TANDEM_TEST_PRINTER"

func TestMain(m *testing.M) {
	if path := os.Getenv(printerFile); path != "" {
		passPersist(path, os.Stdin, os.Stdout)
		return
	}
	os.Exit(m.Run())
}

// passPersist answers PING, get and getnext, and reads the file anew for each.
func passPersist(path string, in io.Reader, out io.Writer) {
	lines := bufio.NewScanner(in)
	for lines.Scan() {
		switch command := lines.Text(); command {
		case "PING":
			fmt.Fprintln(out, "PONG")
		case "get", "getnext":
			lines.Scan()
			fmt.Fprint(out, find(path, lines.Text(), command == "getnext"))
		case "set":
			lines.Scan()
			lines.Scan()
			fmt.Fprintln(out, "not-writable")
		case "":
			return
		}
	}
}

func find(path, asked string, next bool) string {
	body, err := os.ReadFile(path)
	if err != nil {
		return "NONE\n"
	}
	type object struct {
		oid  []int
		text string
	}
	var objects []object
	for line := range strings.Lines(string(body)) {
		name, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
		if name == "" {
			continue
		}
		kind, value, _ := strings.Cut(rest, " ")
		objects = append(objects, object{parts(name), name + "\n" + kind + "\n" + value + "\n"})
	}
	slices.SortFunc(objects, func(a, b object) int { return slices.Compare(a.oid, b.oid) })
	for _, o := range objects {
		if c := slices.Compare(o.oid, parts(asked)); c == 0 && !next || c > 0 && next {
			return o.text
		}
	}
	return "NONE\n"
}

func parts(oid string) []int {
	var out []int
	for part := range strings.SplitSeq(strings.TrimPrefix(oid, "."), ".") {
		n, _ := strconv.Atoi(part)
		out = append(out, n)
	}
	return out
}

// agent is Debian's snmpd, on loopback, with the objects of one printer.
type agent struct {
	t       *testing.T
	dir     string
	port    int
	objects map[string]string
	cancel  context.CancelFunc
	ended   chan struct{}
	log     *lockedBuffer
}

type lockedBuffer struct {
	mu   sync.Mutex
	body bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.body.Write(p)
}

func (b *lockedBuffer) text() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.body.String()
}

// newAgent starts snmpd with the objects of a printer. more are lines for its settings.
func newAgent(t *testing.T, objects map[string]string, more ...string) *agent {
	t.Helper()
	if _, err := snmpd(); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	a := &agent{t: t, dir: t.TempDir(), port: freePort(t), objects: objects}
	a.write()
	binary, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	conf := append([]string{
		"pass_persist .1.3.6.1.2.1.43 " + binary,
		"pass_persist .1.3.6.1.2.1.25.3 " + binary,
	}, more...)
	if len(more) == 0 {
		conf = append(conf, "rocommunity public 127.0.0.1")
	}
	if err := os.WriteFile(filepath.Join(a.dir, "snmpd.conf"), []byte(strings.Join(conf, "\n")+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	a.start()
	t.Cleanup(a.stop)
	return a
}

func snmpd() (string, error) {
	if path, err := exec.LookPath("snmpd"); err == nil {
		return path, nil
	}
	if _, err := os.Stat("/usr/sbin/snmpd"); err == nil {
		return "/usr/sbin/snmpd", nil
	}
	return "", fmt.Errorf("snmpd is not installed: apt-get install snmpd")
}

func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.LocalAddr().(*net.UDPAddr).Port
}

func (a *agent) start() {
	a.t.Helper()
	path, _ := snmpd()
	ctx, cancel := context.WithCancel(context.Background())
	a.cancel, a.ended, a.log = cancel, make(chan struct{}), &lockedBuffer{}
	// Its own host resources give way to ours.
	cmd := exec.CommandContext(ctx, path, "-f", "-Le", "-C", "-c", filepath.Join(a.dir, "snmpd.conf"),
		"-I", "-hr_device,hr_print,hrDeviceTable,smux", "udp:127.0.0.1:"+strconv.Itoa(a.port))
	cmd.Env = append(os.Environ(), "SNMP_PERSISTENT_DIR="+filepath.Join(a.dir, "persistent"), "MIBS=", printerFile+"="+a.file())
	cmd.Stdout, cmd.Stderr = a.log, a.log
	if err := cmd.Start(); err != nil {
		a.t.Fatal(err)
	}
	ended := a.ended
	go func() {
		defer close(ended)
		_ = cmd.Wait() // it is killed
	}()
}

func (a *agent) stop() {
	if a.cancel != nil {
		a.cancel()
		<-a.ended
		a.cancel = nil
		if a.t.Failed() {
			a.t.Logf("snmpd: %s", a.log.text())
		}
	}
}

func (a *agent) file() string { return filepath.Join(a.dir, "printer") }

// set changes objects; an empty text takes one away.
func (a *agent) set(objects map[string]string) {
	a.t.Helper()
	for oid, text := range objects {
		if text == "" {
			delete(a.objects, oid)
		} else {
			a.objects[oid] = text
		}
	}
	a.write()
}

func (a *agent) write() {
	a.t.Helper()
	var b strings.Builder
	for _, oid := range slices.SortedFunc(func(yield func(string) bool) {
		for oid := range a.objects {
			if !yield(oid) {
				return
			}
		}
	}, cmp.Compare[string]) {
		fmt.Fprintf(&b, "%s %s\n", oid, a.objects[oid])
	}
	if err := os.WriteFile(a.file()+".new", []byte(b.String()), 0o600); err != nil {
		a.t.Fatal(err)
	}
	if err := os.Rename(a.file()+".new", a.file()); err != nil {
		a.t.Fatal(err)
	}
}

func (a *agent) address() string { return "127.0.0.1:" + strconv.Itoa(a.port) }

// awaitAnswer waits until the agent answers somebody, so that a test does not wait for a watcher's second try.
func (a *agent) awaitAnswer() {
	a.t.Helper()
	deadline := time.Now().Add(10 * time.Second)
	for !strings.Contains(a.log.text(), "NET-SNMP version") {
		if time.Now().After(deadline) {
			a.t.Fatalf("snmpd has not started: %s", a.log.text())
		}
		time.Sleep(10 * time.Millisecond)
	}
}
