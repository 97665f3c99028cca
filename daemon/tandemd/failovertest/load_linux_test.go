package failovertest

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/peer"

	"tandem/daemon/bus"
	"tandem/drivers"
	"tandem/drivers/all"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// timesFaster makes a piece of ten seconds take a quarter of one.
const timesFaster = 40

// printers are driven from the test, so that they live on when a daemon dies, as a machine's own computer does.
var printers = []string{"printer-1", "printer-2", "printer-3"}

const floorFile = `
devices:
  - id: printer-1
    driver: {kind: sim, external: true}
    abilities: [{operation: print, setup: 2s, per_piece: 5s, unattended_start: {allowed_by: Marit, allow_time: 2026-03-02T07:30:00+01:00}}]
  - id: printer-2
    driver: {kind: sim, external: true}
    abilities: [{operation: print, setup: 2s, per_piece: 5s, unattended_start: {allowed_by: Marit, allow_time: 2026-03-02T07:30:00+01:00}}]
  - id: printer-3
    driver: {kind: sim, external: true}
    abilities: [{operation: print, setup: 2s, per_piece: 5s, unattended_start: {allowed_by: Marit, allow_time: 2026-03-02T07:30:00+01:00}}]
people:
  - {id: marit, display_name: Marit, supervisor: true}
`

// drive runs the drivers of all printers, connected from a namespace, until the end of the test.
func (c *cluster) drive(ns string) {
	c.t.Helper()
	kind, err := all.Find("sim")
	if err != nil {
		c.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var done sync.WaitGroup
	c.t.Cleanup(func() { cancel(); done.Wait() })
	options := []nats.Option{nats.SetCustomDialer(natsDialer{ns})}
	if c.tls != nil {
		options = append(options, nats.RootCAs(filepath.Join(c.dir, "credentials", "ca.pem")))
	}
	for _, id := range printers {
		state := filepath.Join(c.dir, "drivers", id)
		if err := os.MkdirAll(state, 0o700); err != nil {
			c.t.Fatal(err)
		}
		host, err := drivers.NewHost(kind, drivers.Env{Device: id, Operations: []string{"print"}, StateDir: state, Log: zap.NewNop()}, nil)
		if err != nil {
			c.t.Fatal(err)
		}
		conn, err := bus.Dial(c.urls(ns), filepath.Join(c.dir, "credentials", "driver"), id, options...)
		if err != nil {
			c.t.Fatal(err)
		}
		done.Go(func() {
			defer conn.Close()
			if err := host.Run(ctx, conn); err != nil {
				c.t.Errorf("driver of %s: %v", id, err)
			}
		})
	}
}

// acknowledged is a job that a daemon said it has taken.
type acknowledged struct {
	job string
	by  string // address of the daemon
	at  time.Time
}

// crowd hands in jobs, by several people at once, until it is told to stop.
type crowd struct {
	t     *testing.T
	conn  *grpc.ClientConn
	stop  func()
	pause atomic.Int64 // of each of them after a job, in ns

	mu    sync.Mutex
	acked []acknowledged
	lost  []string // jobs whose fate their submitter does not know
}

// submit lets n people hand in one job after another, each with a pause after it.
func (c *cluster) submit(n int, pause time.Duration) *crowd {
	c.t.Helper()
	w := &crowd{t: c.t, conn: c.client()}
	w.pause.Store(int64(pause))
	ctx, cancel := context.WithCancel(context.Background())
	var done sync.WaitGroup
	w.stop = sync.OnceFunc(func() { cancel(); done.Wait() })
	c.t.Cleanup(w.stop)
	for person := range n {
		done.Go(func() {
			for i := 0; ctx.Err() == nil; i++ {
				w.handIn(fmt.Sprintf("job-%d-%d-%d", person, i, time.Now().UnixNano()))
				select {
				case <-ctx.Done():
				case <-time.After(time.Duration(w.pause.Load())):
				}
			}
		})
	}
	return w
}

func (w *crowd) handIn(id string) {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	var from peer.Peer
	_, err := tandemv1.NewJobServiceClient(w.conn).CreateJob(ctx, &tandemv1.CreateJobRequest{
		RequestId: "take-" + id,
		Job: &tandemv1.Job{Id: id, Pieces: 1, Steps: []*tandemv1.Step{
			{Id: "under", Operation: "print"}, {Id: "over", Operation: "print", After: []string{"under"}},
		}},
	}, grpc.Peer(&from))
	w.mu.Lock()
	defer w.mu.Unlock()
	if err != nil {
		w.lost = append(w.lost, id)
		w.t.Logf("%s: %v", id, err)
		return
	}
	w.acked = append(w.acked, acknowledged{job: id, by: from.Addr.String(), at: time.Now()})
}

// firstAfter returns when a daemon other than one first acknowledged something after a moment; zero: not yet.
func (w *crowd) firstAfter(moment time.Time, but *member) time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, a := range w.acked {
		if a.at.After(moment) && a.by != but.clients.String() {
			return a.at
		}
	}
	return time.Time{}
}

// by counts what a daemon acknowledged after a moment.
func (w *crowd) by(m *member, after time.Time) (n int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, a := range w.acked {
		if a.by == m.clients.String() && a.at.After(after) {
			n++
		}
	}
	return n
}

// wire is what went over the floor's account: who was given what, by whose connection, and what was worked on.
type wire struct {
	mu      sync.Mutex
	orders  []order
	taken   []time.Time          // when drivers said that they take a run
	refused map[string]string    // reply subject of an order -> why it was refused; empty: taken
	grants  map[string]struct{}  // reply subjects of grants
	steps   map[string]string    // run -> job/step
	begun   map[string]time.Time // runs that a device has worked on, and when that was first heard
}

// order is a grant on the wire.
type order struct {
	sender string // the connection that it came from: one for each time a daemon leads
	device string
	run    string
	fence  uint64
	reply  string
}

// listen listens to everything on the floor's account.
func (c *cluster) listen(ns string) *wire {
	c.t.Helper()
	w := &wire{grants: map[string]struct{}{}, steps: map[string]string{}, begun: map[string]time.Time{}, refused: map[string]string{}}
	nc := c.nats(ns, "daemon")
	for subject, take := range map[string]func(*nats.Msg){"tandem.v1.order.*": w.order, "tandem.v1.status.*": w.status, "_DAEMON.>": w.answer} {
		if _, err := nc.Subscribe(subject, take); err != nil {
			c.t.Fatal(err)
		}
	}
	if err := nc.Flush(); err != nil {
		c.t.Fatal(err)
	}
	return w
}

func (w *wire) order(m *nats.Msg) {
	var o driverv1.Order
	if drivers.DecodeBody(m.Data, &o) != nil || o.GetGrant() == nil {
		return
	}
	g := o.GetGrant()
	sender, _, _ := strings.Cut(strings.TrimPrefix(m.Reply, "_DAEMON."), ".")
	w.mu.Lock()
	defer w.mu.Unlock()
	w.steps[g.GetRun()] = g.GetJob() + "/" + g.GetStep()
	w.grants[m.Reply] = struct{}{}
	w.orders = append(w.orders, order{sender, strings.TrimPrefix(m.Subject, "tandem.v1.order."), g.GetRun(), g.GetFence(), m.Reply})
}

func (w *wire) answer(m *nats.Msg) {
	var a driverv1.Answer
	if drivers.DecodeBody(m.Data, &a) != nil {
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.refused[m.Subject] = a.GetRefused()
	if _, grant := w.grants[m.Subject]; grant && a.GetRefused() == "" {
		w.taken = append(w.taken, time.Now())
	}
}

func (w *wire) status(m *nats.Msg) {
	var s driverv1.Status
	if drivers.DecodeBody(m.Data, &s) != nil {
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, r := range s.GetRuns() {
		if _, known := w.begun[r.GetRun()]; !known && r.GetStartTime() != nil {
			w.begun[r.GetRun()] = time.Now()
		}
	}
}

// work counts the runs that devices have begun after a moment.
func (w *wire) work(after time.Time) (n int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, at := range w.begun {
		if at.After(after) {
			n++
		}
	}
	return n
}

// check looks for what must never be on the wire: a step worked on in two runs, and an order of a leader after another has
// spoken that its driver takes. What was in the old one's own buffers when it was stopped may still come out.
func (w *wire) check(t *testing.T) {
	t.Helper()
	w.mu.Lock()
	defer w.mu.Unlock()
	runs := map[string]string{} // job/step -> run
	for run := range w.begun {
		step, granted := w.steps[run]
		if !granted {
			t.Errorf("run %s was worked on and never given out", run)
		}
		if other, twice := runs[step]; twice {
			t.Errorf("%s was worked on in the runs %s and %s", step, other, run)
		}
		runs[step] = run
	}
	var senders []string
	late := 0
	over := map[string]bool{}
	for _, o := range w.orders {
		switch {
		case over[o.sender]:
			late++
			if why, answered := w.refused[o.reply]; answered && why == "" {
				t.Errorf("run %s was given to %s by a daemon after another had taken over, and taken", o.run, o.device)
			}
		case len(senders) == 0 || senders[len(senders)-1] != o.sender:
			if len(senders) > 0 {
				over[senders[len(senders)-1]] = true
			}
			senders = append(senders, o.sender)
		}
	}
	t.Logf("%d grants on the wire by %d leaders, %d of them late and refused, %d steps worked on", len(w.orders), len(senders), late, len(w.begun))
}
