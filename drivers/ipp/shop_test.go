package ipp

import (
	"context"
	"io"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"tandem/drivers"
	"tandem/drivers/clock"
	"tandem/drivers/drivertest"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	pending    = tandemv1.JobState_JOB_STATE_PENDING
	processing = tandemv1.JobState_JOB_STATE_PROCESSING
	halted     = tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED
	canceled   = tandemv1.JobState_JOB_STATE_CANCELED
	aborted    = tandemv1.JobState_JOB_STATE_ABORTED
	completed  = tandemv1.JobState_JOB_STATE_COMPLETED
)

// shop is a host with the driver, and its daemon, in real time.
type shop struct {
	*testing.T
	daemon *drivertest.Daemon
	logs   *observer.ObservedLogs
	dir    string
	clock  clock.Clock
	given  map[string]string
	stop   func() // the driver dies; what it kept in dir stays
}

// quick are settings for tests that wait for real printers.
func quick(uri string, more ...string) map[string]string {
	given := map[string]string{"uri": uri, "poll": "100ms", "poll-slow": "100ms", "timeout": "10s", "lost-after": "0s"}
	for i := 0; i < len(more); i += 2 {
		given[more[i]] = more[i+1]
	}
	return given
}

func open(t *testing.T, given map[string]string) *shop {
	t.Helper()
	s := &shop{T: t, dir: t.TempDir(), clock: clock.Wall(), given: given}
	s.start()
	return s
}

func (s *shop) start() {
	s.Helper()
	core, logs := observer.New(zapcore.InfoLevel)
	s.logs = logs
	env := drivers.Env{Device: "press", Operations: []string{"print"}, StateDir: s.dir, Clock: s.clock, Log: zap.New(core)}
	host, err := drivers.NewHost(Kind(), env, s.given)
	if err != nil {
		s.Fatal(err)
	}
	s.daemon = drivertest.NewDaemon()
	ctx, cancel := context.WithCancel(context.Background())
	served := make(chan error, 1)
	go func() { served <- host.Serve(ctx, s.daemon) }()
	var once sync.Once
	s.stop = func() {
		once.Do(func() {
			cancel()
			if err := <-served; err != nil {
				s.Error(err)
			}
		})
	}
	s.Cleanup(s.stop)
}

// online waits until the daemon has welcomed the driver and the driver has met its printer.
func (s *shop) online() {
	s.Helper()
	s.wait("the device is online", func() bool { return s.daemon.Last().GetLink() == tandemv1.Link_LINK_ONLINE })
}

func (s *shop) wait(what string, holds func() bool) {
	s.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	late := time.NewTimer(20 * time.Second)
	defer late.Stop()
	for !holds() {
		select {
		case <-tick.C:
		case <-late.C:
			s.Fatalf("not within 20 s: %s; the last status is %v; the log %v", what, s.daemon.Last(), s.logs.All())
		}
	}
}

// job is a run of 12 pieces that may start.
func (s *shop) job(name string, fence uint64, document, sum string) *driverv1.Grant {
	g := &driverv1.Grant{Run: name, Fence: fence, Job: "job-1", Step: "print", Operation: "print", Pieces: 12, MayStart: true}
	if document != "" {
		g.Documents = []*tandemv1.Document{{Role: "artwork", Uri: document, Sha256: sum}}
	}
	return g
}

func (s *shop) take(a *driverv1.Answer) {
	s.Helper()
	if a == nil || a.GetRefused() != "" {
		s.Fatalf("an order is answered with %v", a)
	}
}

// is waits until a run has a state, and returns it.
func (s *shop) is(name string, state tandemv1.JobState, reasons ...string) *driverv1.RunStatus {
	s.Helper()
	s.wait(name+" is "+state.String()+" "+strings.Join(reasons, ","), func() bool {
		r := s.daemon.Run(name)
		return r.GetState() == state && !slices.ContainsFunc(reasons, func(why string) bool { return !slices.Contains(r.GetStateReasons(), why) })
	})
	return s.daemon.Run(name)
}

func (s *shop) deviceIs(state tandemv1.DeviceState, phase tandemv1.DevicePhase, reasons ...string) {
	s.Helper()
	s.wait("the device is "+state.String()+" "+phase.String()+" "+strings.Join(reasons, ","), func() bool {
		d := s.daemon.Last()
		says := func(base string) bool {
			return slices.ContainsFunc(d.GetStateReasons(), func(r string) bool { b, _ := severity(r); return b == base })
		}
		return d.GetState() == state && d.GetPhase() == phase && !slices.ContainsFunc(reasons, func(why string) bool { return !says(why) })
	})
}

// said counts the lines of the log that begin so.
func (s *shop) said(begin string) (n int) {
	for _, entry := range s.logs.All() {
		if strings.HasPrefix(entry.Message, begin) {
			n++
		}
	}
	return n
}

// cable lies between a driver and its printer, and can be pulled: bytes neither arrive nor are refused then.
type cable struct {
	net.Listener
	to string

	mu     sync.Mutex
	pulled bool
	after  int64 // bytes to the printer until it is pulled; 0: never
	plug   chan struct{}
	conns  []net.Conn
}

func newCable(t *testing.T, to string) *cable {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &cable{Listener: l, to: to, plug: make(chan struct{})}
	t.Cleanup(func() { c.put(); _ = l.Close() })
	go func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			go c.carry(near)
		}
	}()
	return c
}

func (c *cable) uri() string { return "ipp://" + c.Addr().String() + "/ipp/print" }

// pull pulls the cable, at once or after some bytes to the printer.
func (c *cable) pull(after int64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.pulled, c.after = after == 0, after
}

func (c *cable) out() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.pulled
}

// put puts it back. What was under way on it is lost: both ends find that out by a reset.
func (c *cable) put() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.pulled, c.after = false, 0
	for _, conn := range c.conns {
		_ = conn.(*net.TCPConn).SetLinger(0)
		_ = conn.Close()
	}
	c.conns = nil
	close(c.plug)
	c.plug = make(chan struct{})
}

// passes waits while the cable is out, and says how many of n bytes pass before that.
func (c *cable) passes(n int, up bool) (int, chan struct{}) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.pulled && up && c.after > 0 {
		if int64(n) < c.after {
			c.after -= int64(n)
			return n, nil
		}
		n, c.after, c.pulled = int(c.after), 0, true
		return n, c.plug
	}
	if c.pulled {
		return 0, c.plug
	}
	return n, nil
}

func (c *cable) carry(near net.Conn) {
	far, err := net.Dial("tcp", c.to)
	if err != nil {
		_ = near.Close()
		return
	}
	c.mu.Lock()
	c.conns = append(c.conns, near, far)
	c.mu.Unlock()
	var both sync.WaitGroup
	both.Go(func() { c.copy(far, near, true) })
	both.Go(func() { c.copy(near, far, false) })
	both.Wait()
	_, _ = near.Close(), far.Close()
}

func (c *cable) copy(to, from net.Conn, up bool) {
	buffer := make([]byte, 16<<10)
	for {
		n, err := from.Read(buffer)
		if n > 0 {
			passing, out := c.passes(n, up)
			if _, err := to.Write(buffer[:passing]); err != nil {
				return
			}
			if out != nil {
				<-out
				return
			}
		}
		if err != nil {
			if err == io.EOF { //nolint:errorlint // as net.Conn returns it
				_ = to.(*net.TCPConn).CloseWrite()
			}
			return
		}
	}
}
