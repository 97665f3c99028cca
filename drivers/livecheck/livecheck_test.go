package livecheck_test

import (
	"context"
	"errors"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"tandem/drivers"
	"tandem/drivers/livecheck"
	"tandem/drivers/sim"
)

const (
	patience = 20 * time.Second
	// interpreter is the system's own Python, whatever is installed beside it.
	interpreter = "/usr/bin/python3"
)

// bus is a server that can be taken away and brought back on the same port.
type bus struct {
	*testing.T
	server *server.Server
	port   int // -1: any
}

func startBus(t *testing.T) *bus {
	b := &bus{T: t, port: -1}
	b.start()
	t.Cleanup(func() { b.stop() })
	return b
}

func (b *bus) start() {
	b.Helper()
	var err error
	if b.server, err = server.NewServer(&server.Options{Host: "127.0.0.1", Port: b.port, NoLog: true, NoSigs: true}); err != nil {
		b.Fatal(err)
	}
	go b.server.Start()
	if !b.server.ReadyForConnections(patience) {
		b.Fatal("the bus does not come up")
	}
	b.port = b.server.Addr().(*net.TCPAddr).Port
}

func (b *bus) stop() {
	b.server.Shutdown()
	b.server.WaitForShutdown()
}

func (b *bus) dial() *nats.Conn {
	b.Helper()
	nc, err := nats.Connect(b.server.ClientURL(), nats.MaxReconnects(-1), nats.ReconnectWait(50*time.Millisecond))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(nc.Close)
	return nc
}

func (b *bus) reconnect(context.Context) (*nats.Conn, error) {
	b.stop()
	b.start()
	return b.dial(), nil
}

// failed returns the checks that failed or were left out, and why.
func failed(t *testing.T, results []livecheck.Result, err error) (wrong, left []string) {
	t.Helper()
	for _, r := range results {
		switch {
		case r.Err != nil:
			wrong = append(wrong, r.Name)
			t.Logf("%s: %v", r.Name, r.Err)
		case r.Left != "":
			left = append(left, r.Name)
		}
	}
	if errors.Is(err, livecheck.ErrFailed) != (len(wrong) > 0) || err != nil && !errors.Is(err, livecheck.ErrFailed) {
		t.Fatalf("%v, with %q failed", err, wrong)
	}
	return wrong, left
}

// A host with a simulated device keeps the contract, whole.
func TestSimulatedDevice(t *testing.T) {
	b := startBus(t)
	env := drivers.Env{Device: "cutter-1", Operations: []string{"cut"}, Capacity: 1, StateDir: t.TempDir()}
	var stop func()
	begin := func() {
		host, err := drivers.NewHost(sim.Kind(), env, nil)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		ended := make(chan error, 1)
		conn := b.dial()
		go func() { ended <- host.Run(ctx, conn) }()
		stop = func() {
			cancel()
			if err := <-ended; err != nil {
				t.Error(err)
			}
		}
	}
	begin()
	defer func() { stop() }()
	results, err := livecheck.Check(t.Context(), b.dial(), livecheck.Options{
		Device: "cutter-1", Move: true, Work: 200 * time.Millisecond, Reconnect: b.reconnect,
		Restart: func(context.Context) error {
			stop()
			begin()
			return nil
		},
	})
	if wrong, left := failed(t, results, err); len(wrong)+len(left) > 0 || len(results) < 19 {
		t.Errorf("failed: %q, left out: %q, of %d", wrong, left, len(results))
	}
}

// script is the driver to copy in another language, changed as told; each text to change must be there once.
func script(t *testing.T, changes ...string) string {
	t.Helper()
	content, err := os.ReadFile("../blueprint/blueprint.py")
	if err != nil {
		t.Fatal(err)
	}
	text := string(content)
	for i := 0; i < len(changes); i += 2 {
		if n := strings.Count(text, changes[i]); n != 1 {
			t.Fatalf("%q occurs %d times", changes[i], n)
		}
		text = strings.Replace(text, changes[i], changes[i+1], 1)
	}
	path := filepath.Join(t.TempDir(), "driver.py")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// process is a driver of its own, in Python.
type process struct {
	*testing.T
	bus    *bus
	script string
	cmd    *exec.Cmd
}

func (p *process) start() {
	p.Helper()
	token := filepath.Join(p.TempDir(), "token")
	if err := os.WriteFile(token, []byte("any"), 0o600); err != nil {
		p.Fatal(err)
	}
	p.cmd = exec.Command(interpreter, p.script, "127.0.0.1", strconv.Itoa(p.bus.port), token, "bench-7", "emboss")
	p.cmd.Stderr = os.Stderr
	if err := p.cmd.Start(); err != nil {
		p.Fatal(err)
	}
}

func (p *process) kill() {
	_ = p.cmd.Process.Kill()
	_ = p.cmd.Wait() // it was killed, and says so
}

func check(t *testing.T, path string, only ...string) ([]livecheck.Result, error) {
	t.Helper()
	p := &process{T: t, bus: startBus(t), script: path}
	p.start()
	defer func() { p.kill() }()
	return livecheck.Check(t.Context(), p.bus.dial(), livecheck.Options{
		Device: "bench-7", Move: true, Only: only, Work: time.Second, MoveWithin: patience, Wait: patience, Reconnect: p.bus.reconnect,
		Restart: func(context.Context) error {
			p.kill()
			p.start()
			return nil
		},
	})
}

func python(t *testing.T) {
	t.Helper()
	if _, err := exec.LookPath(interpreter); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal(interpreter + " is missing")
		}
		t.Skip(interpreter + " is missing")
	}
}

// The driver to copy without Go keeps the contract, whole.
func TestAnotherLanguage(t *testing.T) {
	t.Parallel()
	python(t)
	results, err := check(t, script(t))
	if wrong, left := failed(t, results, err); len(wrong)+len(left) > 0 || len(results) < 19 {
		t.Errorf("failed: %q, left out: %q, of %d", wrong, left, len(results))
	}
}

// Drivers with one mistake are found, by the check that is there for it.
func TestMistakes(t *testing.T) {
	t.Parallel()
	python(t)
	for _, test := range []struct{ check, old, mistake string }{
		{"introduces itself", `"operations": [operation]`, `"operations": []`},
		{"repeats its status", `"observeTime": stamp()`, `"observeTime": "2001-01-01T00:00:00Z"`},
		{"repeats its status", "    sequence += 1\n", ""},
		{"refuses what it cannot read", `else for_now("malformed order")`, `else {}`},
		{"refuses orders of another epoch", `!= epoch: return for_good`, `!= epoch: return for_now`},
		{"refuses a daemon that no longer leads", `    if 0 < int(order.get("term", 0)) < term: return for_now("old term")` + "\n", ""},
		{"refuses operations it cannot do", `if o.get("operation") != operation`, `if False`},
		{"refuses a stale fence", `fence < int(welcome.get("minFence", 0)) or fence <= seen_fence`, `False`},
		{"waits for its start", `and o.get("mayStart") and not stale`, `and not stale`},
		{"takes the same order once", `if mine and fence != run["fence"]: return for_now("stale: in hand with another fence")`, ``},
		{"keeps to its capacity", `"busy" if run else ""`, `""`},
		{"stops what waits, and keeps its end until settled", `finish("JOB_STATE_CANCELED")  # YOURS`, `run = None  # YOURS`},
		{"never takes what was stopped before it came", `    if not mine: gone.add(o["run"])  # and must not come later either` + "\n", ""},
		{"tells a new daemon what it has in hand", `hello_at, term = 0, max(term, `, `term = max(0, term, `},
		{"withstands a flood of orders", `status_at = min(status_at, time.time() + 0.05)`, `[send(conn, f"tandem.v1.status.{device}", status()) for _ in range(50)]`},
		{"finds the bus again", `while True:  # for ever: the daemon and the bus come back`, `for _ in range(1):`},
		{"outlives its own restart", `epoch = time.time_ns()  #`, `epoch = 5  #`},
		{"takes a start that is too late for none", `and not stale:`, `and True:`},
		{"does a run, once", `piecesGood=grant.get("pieces", 0)`, `piecesGood=0`},
		{"stops what works", `if kind == "stop" and open_run():`, `if kind == "stop" and run["state"] == "JOB_STATE_PENDING":`},
	} {
		t.Run(test.check+" "+test.old[:min(len(test.old), 20)], func(t *testing.T) {
			t.Parallel()
			results, err := check(t, script(t, test.old, test.mistake), test.check)
			if wrong, _ := failed(t, results, err); !slices.Contains(wrong, test.check) {
				t.Errorf("failed: %q, want %q among them", wrong, test.check)
			}
		})
	}
}

func TestNobodyThere(t *testing.T) {
	t.Parallel()
	b := startBus(t)
	if _, err := livecheck.Check(t.Context(), b.dial(), livecheck.Options{Device: "bench-7", Wait: 50 * time.Millisecond}); !errors.Is(err, livecheck.ErrNoHello) {
		t.Errorf("error %v, want ErrNoHello", err)
	}
	if _, err := livecheck.Check(t.Context(), b.dial(), livecheck.Options{Device: "bench-7", Only: []string{"flies"}}); err == nil || !strings.Contains(err.Error(), `"flies"`) {
		t.Errorf("error %v, want one that names the check", err)
	}
	if _, err := livecheck.Check(t.Context(), b.dial(), livecheck.Options{Device: "Bench 7"}); err == nil || !strings.Contains(err.Error(), `"Bench 7"`) {
		t.Errorf("error %v, want one that names the device", err)
	}
}
