package bus

import (
	"context"
	"fmt"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
)

// patience bounds every wait of these tests; none of them is meant to come near it.
const patience = 30 * time.Second

// paths are the two ways in which a driver connects; both must behave alike.
var paths = map[string]func(testing.TB, *Server, ...nats.Option) *nats.Conn{
	"in-process": func(t testing.TB, s *Server, _ ...nats.Option) *nats.Conn {
		nc, err := s.DriverConn("driver")
		if err != nil {
			t.Fatal(err)
		}
		return nc
	},
	"tcp": func(t testing.TB, s *Server, more ...nats.Option) *nats.Conn {
		nc, err := Dial(s.URL(), tokenPath(s), "driver", more...)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(nc.Close)
		// Dial does not wait; tests do.
		eventually(t, "connected over TCP", func() bool { return nc.IsConnected() })
		return nc
	},
}

func eachPath(t *testing.T, test func(*testing.T, func(testing.TB, *Server, ...nats.Option) *nats.Conn)) {
	for name, connect := range paths {
		t.Run(name, func(t *testing.T) { test(t, connect) })
	}
}

func tokenPath(s *Server) string {
	return filepath.Join(filepath.Dir(s.lock.Name()), TokenFile)
}

func startServer(t testing.TB, change ...func(*ServerConfig)) *Server {
	t.Helper()
	cfg := ServerConfig{StoreDir: t.TempDir(), MaxStore: 1 << 30, Listen: "127.0.0.1:0"}
	for _, c := range change {
		c(&cfg)
	}
	s, err := StartServer(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Shutdown)
	return s
}

// listener records what the handlers hear.
type listener struct {
	mu       sync.Mutex
	statuses map[string][]*driverv1.Status
	hellos   map[string][]*driverv1.Hello
	running  map[string]int
	overlap  bool // a device had two handlers at once

	onStatus func(device string, s *driverv1.Status)
	welcome  func(device string) *driverv1.Welcome
}

func (l *listener) enter(device string) func() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.running[device]++
	l.overlap = l.overlap || l.running[device] > 1
	return func() {
		l.mu.Lock()
		defer l.mu.Unlock()
		l.running[device]--
	}
}

func (l *listener) hello(_ context.Context, device string, h *driverv1.Hello) *driverv1.Welcome {
	defer l.enter(device)()
	l.mu.Lock()
	l.hellos[device] = append(l.hellos[device], h)
	l.mu.Unlock()
	if l.welcome != nil {
		return l.welcome(device)
	}
	return &driverv1.Welcome{TimeScale: 1, MinFence: 7}
}

func (l *listener) status(device string, s *driverv1.Status) {
	defer l.enter(device)()
	l.mu.Lock()
	l.statuses[device] = append(l.statuses[device], s)
	l.mu.Unlock()
	if l.onStatus != nil {
		l.onStatus(device, s)
	}
}

func (l *listener) heard(device string) []*driverv1.Status {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]*driverv1.Status(nil), l.statuses[device]...)
}

func (l *listener) greeted(device string) []*driverv1.Hello {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]*driverv1.Hello(nil), l.hellos[device]...)
}

func openBus(t testing.TB, s *Server, l *listener, opts Options) *Bus {
	t.Helper()
	l.statuses = make(map[string][]*driverv1.Status)
	l.hellos = make(map[string][]*driverv1.Hello)
	l.running = make(map[string]int)
	nc, err := s.FloorConn("daemon")
	if err != nil {
		t.Fatal(err)
	}
	if opts.Devices == nil {
		opts.Devices = []string{"cutter-1", "printer-1"}
	}
	b, err := New(nc, Handlers{Hello: l.hello, Status: l.status}, opts)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		b.Close()
		if l.overlap {
			t.Error("two handlers of one device ran at once")
		}
	})
	return b
}

// eventually waits for a condition that something in the background brings about.
func eventually(t testing.TB, what string, condition func() bool) {
	t.Helper()
	deadline := time.Now().Add(patience)
	for !condition() {
		if time.Now().After(deadline) {
			t.Fatalf("never: %s", what)
		}
		time.Sleep(time.Millisecond)
	}
}

func body(t testing.TB, m proto.Message) []byte {
	t.Helper()
	b, err := protojson.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func publish(t testing.TB, nc *nats.Conn, subject string, data []byte) {
	t.Helper()
	if err := nc.Publish(subject, data); err != nil {
		t.Fatal(err)
	}
}

func publishStatus(t testing.TB, nc *nats.Conn, device string, epoch, sequence uint64) {
	t.Helper()
	publish(t, nc, drivers.StatusSubject(device), body(t, &driverv1.Status{Epoch: epoch, Sequence: sequence}))
}

// sayHello sends a raw hello and returns the answer.
func sayHello(t testing.TB, nc *nats.Conn, device string, data []byte) *driverv1.Welcome {
	t.Helper()
	m, err := nc.Request(drivers.HelloSubject(device), data, patience)
	if err != nil {
		t.Fatal(err)
	}
	w := new(driverv1.Welcome)
	if err := protojson.Unmarshal(m.Data, w); err != nil {
		t.Fatal(err)
	}
	return w
}

func helloBody(t testing.TB, epoch, sequence uint64) []byte {
	return body(t, &driverv1.Hello{
		Status: &driverv1.Status{Epoch: epoch, Sequence: sequence}, Kind: "sim", Operations: []string{"cut"},
	})
}

func deviceStats(t testing.TB, b *Bus, device string) DeviceStats {
	t.Helper()
	for _, d := range b.Stats().Devices {
		if d.Device == device {
			return d
		}
	}
	t.Fatalf("no stats of %s", device)
	return DeviceStats{}
}

func sequences(statuses []*driverv1.Status) string {
	var s []string
	for _, x := range statuses {
		s = append(s, fmt.Sprintf("%d/%d", x.GetEpoch(), x.GetSequence()))
	}
	return fmt.Sprint(s)
}
