package drivers_test

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	"tandem/drivers/sim"
	driverv1 "tandem/proto/tandem/driver/v1"
)

// patience bounds every wait; nothing waits for it to pass.
const patience = 20 * time.Second

// startServer starts a server on loopback; port -1 takes any.
func startServer(t *testing.T, port int) *server.Server {
	t.Helper()
	s, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: port, NoLog: true, NoSigs: true})
	if err != nil {
		t.Fatal(err)
	}
	go s.Start()
	if !s.ReadyForConnections(patience) {
		t.Fatal("the server does not come up")
	}
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	return s
}

func dial(t *testing.T, url string) *nats.Conn {
	t.Helper()
	nc, err := nats.Connect(url, nats.MaxReconnects(-1), nats.RetryOnFailedConnect(true), nats.ReconnectWait(20*time.Millisecond),
		nats.ReconnectJitter(0, 0))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	return nc
}

// natsDaemon is the daemon's end of the bus, over NATS.
type natsDaemon struct {
	*testing.T
	conn   *nats.Conn
	device string

	mu       sync.Mutex
	changed  chan struct{} // closed at each message
	hellos   []*driverv1.Hello
	statuses []*driverv1.Status
	unready  int // hellos that are not accepted
	lose     int // statuses that get lost
}

func newNATSDaemon(t *testing.T, conn *nats.Conn, device string) *natsDaemon {
	t.Helper()
	d := &natsDaemon{T: t, conn: conn, device: device, changed: make(chan struct{})}
	d.subscribe(drivers.HelloSubject(device), func(m *nats.Msg) {
		h := new(driverv1.Hello)
		d.decode(m, h)
		d.hellos = append(d.hellos, h)
		w := &driverv1.Welcome{Period: durationpb.New(200 * time.Millisecond), Now: timestamppb.Now(), TimeScale: 1}
		if d.unready--; d.unready >= 0 {
			w.Error = "the daemon is not ready"
		}
		body, err := protojson.Marshal(w)
		if err == nil {
			err = m.Respond(body)
		}
		if err != nil {
			t.Error(err)
		}
	})
	d.subscribe(drivers.StatusSubject(device), func(m *nats.Msg) {
		s := new(driverv1.Status)
		d.decode(m, s)
		if d.lose--; d.lose < 0 {
			d.statuses = append(d.statuses, s)
		}
	})
	return d
}

func (d *natsDaemon) subscribe(subject string, f func(*nats.Msg)) {
	d.Helper()
	_, err := d.conn.Subscribe(subject, func(m *nats.Msg) {
		d.mu.Lock()
		defer d.mu.Unlock()
		f(m)
		close(d.changed)
		d.changed = make(chan struct{})
	})
	if err == nil {
		err = d.conn.FlushTimeout(patience)
	}
	if err != nil {
		d.Fatal(err)
	}
}

func (d *natsDaemon) decode(m *nats.Msg, into proto.Message) {
	if err := protojson.Unmarshal(m.Data, into); err != nil {
		d.Errorf("the driver sends %q: %v", m.Data, err)
	}
}

// wait waits until what was heard fulfils a condition.
func (d *natsDaemon) wait(what string, holds func() bool) {
	d.Helper()
	late := time.After(patience)
	for {
		d.mu.Lock()
		ok, changed := holds(), d.changed
		d.mu.Unlock()
		if ok {
			return
		}
		select {
		case <-changed:
		case <-late:
			d.mu.Lock()
			defer d.mu.Unlock()
			d.Fatalf("not within %s: %s; hellos %v, last status %v", patience, what, d.hellos, d.last())
		}
	}
}

// last and run want the lock, as the conditions of wait have it.
func (d *natsDaemon) last() *driverv1.Status {
	if len(d.statuses) == 0 {
		return nil
	}
	return d.statuses[len(d.statuses)-1]
}

func (d *natsDaemon) run(id string) *driverv1.RunStatus {
	for _, r := range d.last().GetRuns() {
		if r.GetRun() == id {
			return r
		}
	}
	return nil
}

// send sends an order for the present epoch, again until it is answered.
func (d *natsDaemon) send(o *driverv1.Order) *driverv1.Answer {
	d.Helper()
	d.mu.Lock()
	if o.GetEpoch() == 0 {
		o.Epoch = d.hellos[len(d.hellos)-1].GetStatus().GetEpoch()
	}
	d.mu.Unlock()
	body, err := protojson.Marshal(o)
	if err != nil {
		d.Fatal(err)
	}
	return d.sendRaw(body)
}

func (d *natsDaemon) sendRaw(body []byte) *driverv1.Answer {
	d.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	for {
		m, err := d.conn.RequestWithContext(ctx, drivers.OrderSubject(d.device), body)
		if errors.Is(err, nats.ErrNoResponders) || errors.Is(err, nats.ErrReconnectBufExceeded) {
			continue
		}
		if err != nil {
			d.Fatalf("order %.200q: %v", body, err)
		}
		a := new(driverv1.Answer)
		d.decode(m, a)
		return a
	}
}

func (d *natsDaemon) grant(g *driverv1.Grant) *driverv1.Answer {
	d.Helper()
	return d.send(&driverv1.Order{Kind: &driverv1.Order_Grant{Grant: g}})
}

// hostSim runs a simulated device until the returned function is called.
func hostSim(t *testing.T, conn *nats.Conn, device, dir string) (stop func()) {
	t.Helper()
	host, err := drivers.NewHost(sim.Kind(), drivers.Env{Device: device, Operations: []string{"cut"}, StateDir: dir}, nil)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- host.Run(ctx, conn) }()
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			if err := <-ended; err != nil {
				t.Error(err)
			}
		})
	}
	t.Cleanup(stop)
	return stop
}

// quick is a run of 60 pieces in three seconds.
func quick(run string, fence uint64) *driverv1.Grant {
	g := grant(run, fence, true)
	g.ExpectedSetup, g.ExpectedWork = durationpb.New(10*time.Millisecond), durationpb.New(3*time.Second)
	return g
}

func TestOverNATS(t *testing.T) {
	t.Parallel()
	s := startServer(t, -1)
	d := newNATSDaemon(t, dial(t, s.ClientURL()), "cutter-1")
	other := newNATSDaemon(t, d.conn, "cutter-2")
	shared := dial(t, s.ClientURL()) // one connection may carry many devices
	hostSim(t, shared, "cutter-1", "")
	hostSim(t, shared, "cutter-2", "")
	for _, d := range []*natsDaemon{d, other} {
		d.wait("the driver tells that it is idle", func() bool { return d.last().GetState() == idle })
		for range 3 {
			if a := d.grant(quick("r-"+d.device, 1)); a.GetRefused() != "" {
				t.Fatal(a)
			}
		}
	}
	for _, d := range []*natsDaemon{d, other} {
		d.wait("the run ends", func() bool { return d.run("r-"+d.device).GetState() == completed })
		d.send(&driverv1.Order{Kind: &driverv1.Order_Settle{Settle: &driverv1.Settle{Run: "r-" + d.device, Fence: 1}}})
		d.wait("nothing is in hand", func() bool { return len(d.last().GetRuns()) == 0 && d.last().GetState() == idle })
		d.mu.Lock()
		for _, s := range d.statuses {
			for _, r := range s.GetRuns() {
				if r.GetRun() != "r-"+d.device {
					t.Errorf("%s tells of %v", d.device, r)
				}
			}
		}
		d.mu.Unlock()
	}
}

func TestHostOutlivesTheBus(t *testing.T) {
	t.Parallel()
	first := startServer(t, -1)
	port := first.Addr().(*net.TCPAddr).Port
	d := newNATSDaemon(t, dial(t, first.ClientURL()), "cutter-1")
	hostSim(t, dial(t, first.ClientURL()), "cutter-1", "")
	d.wait("the driver is there", func() bool { return len(d.statuses) > 0 })
	if a := d.grant(quick("r1", 1)); a.GetRefused() != "" {
		t.Fatal(a)
	}
	d.wait("the run is under way", func() bool { return d.run("r1").GetPiecesGood() > 0 })
	d.mu.Lock()
	hellos, epoch := len(d.hellos), d.last().GetEpoch()
	d.unready = 3
	d.mu.Unlock()
	first.Shutdown()
	first.WaitForShutdown()
	startServer(t, port)
	// The hello that comes with the connection finds a daemon that is not ready yet: that must not be the last one.
	d.wait("the driver says hello again, with the run in hand", func() bool {
		return len(d.hellos) > hellos && d.hellos[len(d.hellos)-1].GetStatus().GetEpoch() == epoch &&
			len(d.hellos[len(d.hellos)-1].GetStatus().GetRuns()) == 1
	})
	d.wait("the run ends", func() bool { return d.run("r1").GetState() == completed })
	if a := d.grant(quick("r1", 1)); a.GetRefused() != "" {
		t.Errorf("the grant of the run in hand is refused: %v", a)
	}
}

// Two servers that do not reach each other, with a daemon at the second: drivers that are connected to the first go to the second by
// themselves, over one connection, and stay there.
func TestDriversLeaveAServerWithoutADaemon(t *testing.T) {
	t.Parallel()
	first, second := startServer(t, -1), startServer(t, -1)
	lonely, daemon := newNATSDaemon(t, dial(t, second.ClientURL()), "printer-1"), newNATSDaemon(t, dial(t, second.ClientURL()), "printer-2")
	conn, err := nats.Connect(first.ClientURL()+","+second.ClientURL(), nats.DontRandomize(), nats.MaxReconnects(-1), nats.ReconnectWait(20*time.Millisecond))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(conn.Close)
	for _, device := range []string{"printer-1", "printer-2"} {
		hostSim(t, conn, device, t.TempDir())
	}
	for _, d := range []*natsDaemon{lonely, daemon} {
		d.wait("a status after the welcome", func() bool { return len(d.statuses) > 3 })
	}
	if n := conn.Stats().Reconnects; n != 1 || conn.ConnectedUrl() != second.ClientURL() {
		t.Errorf("connected to %s after %d changes, want one to %s", conn.ConnectedUrl(), n, second.ClientURL())
	}
}

func TestLostStatusesHeal(t *testing.T) {
	t.Parallel()
	s := startServer(t, -1)
	d := newNATSDaemon(t, dial(t, s.ClientURL()), "cutter-1")
	hostSim(t, dial(t, s.ClientURL()), "cutter-1", "")
	d.wait("the driver is there", func() bool { return len(d.statuses) > 0 })
	d.mu.Lock()
	d.lose = 6
	d.mu.Unlock()
	g := quick("r1", 1)
	g.ExpectedWork = durationpb.New(50 * time.Millisecond) // begins and ends unheard
	if a := d.grant(g); a.GetRefused() != "" {
		t.Fatal(a)
	}
	d.wait("the end of the run is told again", func() bool { return d.run("r1").GetState() == completed })
}

func TestHostileBodies(t *testing.T) {
	t.Parallel()
	s := startServer(t, -1)
	d := newNATSDaemon(t, dial(t, s.ClientURL()), "cutter-1")
	hostSim(t, dial(t, s.ClientURL()), "cutter-1", "")
	d.wait("the driver is there", func() bool { return len(d.statuses) > 0 })
	d.mu.Lock()
	epoch := d.last().GetEpoch()
	d.mu.Unlock()
	for _, body := range []string{
		"", "null", "[]", "{", "\x00\xff\xfe", `{"grant":{}`, `{"grant":{"run":5}}`, `{"epoch":-1}`, `{"epoch":1e400}`,
		`{"grant":{"run":"r1"},"stop":{"run":"r1"}}`, `{"epoch":"` + strings.Repeat("9", 60000) + `"}`,
		strings.Repeat("[", 60000), strings.Repeat(`{"grant":`, 6000),
		`{"grant":{"startBefore":"99999-01-01T00:00:00Z"}}`, `{"grant":{"expectedWork":"1e30s"}}`,
		`{"grant":{"run":"` + strings.Repeat("r", drivers.MaxBody) + `"}}`,
		fmt.Sprintf(`{"epoch":"%d","grant":{"run":"r.*","fence":"1","operation":"cut"}}`, epoch),
		fmt.Sprintf(`{"epoch":"%d","grant":{"run":"r1","fence":"1","operation":"cut","pieces":-1}}`, epoch),
		fmt.Sprintf(`{"epoch":"%d"}`, epoch),
	} {
		if a := d.sendRaw([]byte(body)); a.GetRefused() == "" || len(a.GetRefused()) > 1000 {
			t.Errorf("%.80q is answered with %.200q", body, a)
		}
		if err := d.conn.Publish(drivers.OrderSubject("cutter-1"), []byte(body)); err != nil { // wants no answer
			t.Fatal(err)
		}
	}
	// A field that is not known is from a newer daemon.
	a := d.sendRaw(fmt.Appendf(nil, `{"epoch":"%d","grant":{"run":"r1","fence":"1","operation":"cut","pieces":1,"newField":[1]},"more":{}}`, epoch))
	if a.GetRefused() != "" {
		t.Errorf("an order with fields that are not known is refused: %v", a)
	}
	d.wait("the run is in hand", func() bool { return d.run("r1") != nil })
}

func TestClosedConnection(t *testing.T) {
	t.Parallel()
	s := startServer(t, -1)
	host, err := drivers.NewHost(sim.Kind(), drivers.Env{Device: "cutter-1", Operations: []string{"cut"}}, nil)
	if err != nil {
		t.Fatal(err)
	}
	conn := dial(t, s.ClientURL())
	d := newNATSDaemon(t, dial(t, s.ClientURL()), "cutter-1")
	ended := make(chan error, 1)
	go func() { ended <- host.Run(t.Context(), conn) }()
	d.wait("the driver is there", func() bool { return len(d.statuses) > 0 })
	conn.Close()
	if err := <-ended; !errors.Is(err, drivers.ErrBusClosed) {
		t.Errorf("the host returns %v, want ErrBusClosed", err)
	}
	if err := host.Run(t.Context(), conn); err == nil {
		t.Error("on a closed connection the host returns no error")
	}
}

// childURL and childDir make this test's program a driver that is a process of its own.
const (
	childURL = "TANDEM_TEST_DRIVER_URL"
	childDir = "TANDEM_TEST_DRIVER_DIR"
)

func TestMain(m *testing.M) {
	if url := os.Getenv(childURL); url != "" {
		fmt.Fprintln(os.Stderr, driveUntilKilled(url, os.Getenv(childDir)))
		os.Exit(1)
	}
	os.Exit(m.Run())
}

func driveUntilKilled(url, dir string) error {
	conn, err := nats.Connect(url)
	if err != nil {
		return err
	}
	host, err := drivers.NewHost(sim.Kind(), drivers.Env{Device: "cutter-1", Operations: []string{"cut"}, StateDir: dir}, nil)
	if err != nil {
		return err
	}
	return host.Run(context.Background(), conn)
}

// TestKilledInMidRun kills the driver's process while its machine works, and again after that has finished.
func TestKilledInMidRun(t *testing.T) {
	t.Parallel()
	s := startServer(t, -1)
	d := newNATSDaemon(t, dial(t, s.ClientURL()), "cutter-1")
	dir := t.TempDir()
	start := func() (kill func()) {
		t.Helper()
		child := exec.Command(os.Args[0])
		child.Env = append(os.Environ(), childURL+"="+s.ClientURL(), childDir+"="+dir)
		child.Stderr = os.Stderr
		d.mu.Lock()
		hellos, statuses := len(d.hellos), len(d.statuses)
		d.mu.Unlock()
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		kill = sync.OnceFunc(func() {
			if err := child.Process.Kill(); err != nil {
				t.Error(err)
			}
			_ = child.Wait() // killed
		})
		t.Cleanup(kill)
		d.wait("the driver is welcome", func() bool { return len(d.hellos) > hellos && len(d.statuses) > statuses })
		return kill
	}
	inHand := func() *driverv1.RunStatus {
		d.mu.Lock()
		defer d.mu.Unlock()
		runs := d.hellos[len(d.hellos)-1].GetStatus().GetRuns()
		if len(runs) != 1 || runs[0].GetRun() != "r1" || runs[0].GetFence() != 1 {
			t.Fatalf("the driver says hello with %v, want r1 in hand", runs)
		}
		return runs[0]
	}

	kill := start()
	g := quick("r1", 1)
	if a := d.grant(g); a.GetRefused() != "" {
		t.Fatal(a)
	}
	d.wait("ten pieces are made", func() bool { return d.run("r1").GetPiecesGood() >= 10 })
	kill()
	begin := d.run("r1").GetStartTime().AsTime()

	kill = start()
	if r := inHand(); r.GetState() != processing || !r.GetStartTime().AsTime().Equal(begin) {
		t.Errorf("the machine is told as %v, want at work since %v", r, begin)
	}
	if a := d.grant(g); a.GetRefused() != "" {
		t.Errorf("the grant of the run in hand is refused: %v", a)
	}
	d.wait("the run ends", func() bool { return d.run("r1").GetState() == completed })
	end := d.run("r1")
	if end.GetPiecesGood() != 60 || !end.GetStartTime().AsTime().Equal(begin) {
		t.Errorf("the run ends as %v, want 60 pieces, begun once at %v", end, begin)
	}
	kill()

	start()
	if r := inHand(); r.GetState() != completed || !r.GetEndTime().AsTime().Equal(end.GetEndTime().AsTime()) {
		t.Errorf("the machine is told as %v, want completed at %v", r, end.GetEndTime().AsTime())
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	for i, h := range d.hellos[1:] {
		if h.GetStatus().GetEpoch() <= d.hellos[i].GetStatus().GetEpoch() {
			t.Errorf("epoch %d follows %d", h.GetStatus().GetEpoch(), d.hellos[i].GetStatus().GetEpoch())
		}
	}
}

// FuzzOrders holds that no body makes a host fall, and that each is answered.
func FuzzOrders(f *testing.F) {
	for _, body := range []string{
		"", "{}", `{"epoch":"1","grant":{"run":"r1","fence":"1","operation":"cut","pieces":3,"mayStart":true}}`,
		`{"epoch":"1","stop":{"run":"r1","fence":"1"}}`, `{"epoch":"1","settle":{"run":"r1","fence":"1"}}`,
		`{"grant":{"startBefore":"2026-03-02T06:00:00Z","readyTime":"0001-01-01T00:00:00Z","expectedSetup":"-1s"}}`,
	} {
		f.Add([]byte(body))
	}
	conn, err := inProcess(f)
	if err != nil {
		f.Fatal(err)
	}
	host, err := drivers.NewHost(sim.Kind(), drivers.Env{Device: "cutter-1", Operations: []string{"cut"}}, nil)
	if err != nil {
		f.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- host.Run(ctx, conn) }()
	f.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			f.Error(err)
		}
	})
	f.Fuzz(func(t *testing.T, body []byte) {
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		defer cancel()
		for {
			m, err := conn.RequestWithContext(ctx, drivers.OrderSubject("cutter-1"), body)
			if errors.Is(err, nats.ErrNoResponders) { // the host has not subscribed yet
				continue
			}
			if err != nil {
				t.Fatal(err)
			}
			if err := protojson.Unmarshal(m.Data, new(driverv1.Answer)); err != nil {
				t.Errorf("%q is answered with %q: %v", body, m.Data, err)
			}
			return
		}
	})
}

// inProcess connects to a server that listens nowhere.
func inProcess(f *testing.F) (*nats.Conn, error) {
	s, err := server.NewServer(&server.Options{DontListen: true, NoLog: true, NoSigs: true})
	if err != nil {
		return nil, err
	}
	go s.Start()
	f.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(patience) {
		return nil, errors.New("the server does not come up")
	}
	return nats.Connect("", nats.InProcessServer(s))
}
