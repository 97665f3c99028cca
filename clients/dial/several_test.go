package dial

import (
	"context"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	tandemv1 "tandem/proto/tandem/v1"
)

// fakeDaemon is one of several daemons; what it answers is up to the test.
type fakeDaemon struct {
	tandemv1.UnimplementedJobServiceServer
	name    string
	address string
	health  *health.Server

	mu     sync.Mutex
	keys   []string
	answer func(ctx context.Context, n int) error // to the n-th request; nil: all is well
}

func startDaemon(t *testing.T, name string) *fakeDaemon {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	d := &fakeDaemon{name: name, address: l.Addr().String(), health: health.NewServer()}
	g := grpc.NewServer()
	tandemv1.RegisterJobServiceServer(g, d)
	healthpb.RegisterHealthServer(g, d.health)
	d.serves(false)
	go func() { _ = g.Serve(l) }()
	t.Cleanup(g.Stop)
	return d
}

func (d *fakeDaemon) serves(yes bool) {
	s := healthpb.HealthCheckResponse_NOT_SERVING
	if yes {
		s = healthpb.HealthCheckResponse_SERVING
	}
	d.health.SetServingStatus("", s)
}

func (d *fakeDaemon) answers(f func(ctx context.Context, n int) error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.answer, d.keys = f, nil
}

func (d *fakeDaemon) reply(ctx context.Context, key string) (*tandemv1.Job, error) {
	d.mu.Lock()
	d.keys = append(d.keys, key)
	n, answer := len(d.keys), d.answer
	d.mu.Unlock()
	if answer != nil {
		if err := answer(ctx, n); err != nil {
			return nil, err
		}
	}
	return &tandemv1.Job{DisplayName: d.name}, nil
}

func (d *fakeDaemon) HoldJob(ctx context.Context, r *tandemv1.HoldJobRequest) (*tandemv1.Job, error) {
	return d.reply(ctx, r.GetRequestId())
}

func (d *fakeDaemon) ProposeGangs(ctx context.Context, _ *tandemv1.ProposeGangsRequest) (*tandemv1.ProposeGangsResponse, error) {
	_, err := d.reply(ctx, "")
	return &tandemv1.ProposeGangsResponse{}, err
}

func (d *fakeDaemon) asked() []string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return append([]string(nil), d.keys...)
}

func openSeveral(t *testing.T, daemons ...*fakeDaemon) tandemv1.JobServiceClient {
	t.Helper()
	var addresses []string
	for _, d := range daemons {
		addresses = append(addresses, d.address)
	}
	conn, err := Open(Config{Address: strings.Join(addresses, ", ")})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return tandemv1.NewJobServiceClient(conn)
}

// answeredBy asks once and says which daemon has answered.
func answeredBy(t *testing.T, jobs tandemv1.JobServiceClient) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	j, err := jobs.HoldJob(ctx, &tandemv1.HoldJobRequest{Id: "j1"})
	if err != nil {
		t.Fatalf("hold: %v", err)
	}
	return j.GetDisplayName()
}

// comesTo asks until a daemon answers.
func comesTo(t *testing.T, jobs tandemv1.JobServiceClient, name string) {
	t.Helper()
	for deadline := time.Now().Add(20 * time.Second); answeredBy(t, jobs) != name; {
		if time.Now().After(deadline) {
			t.Fatalf("nothing comes to %s", name)
		}
	}
}

func TestSeveralFindsTheOneThatServes(t *testing.T) {
	a, b, c := startDaemon(t, "a"), startDaemon(t, "b"), startDaemon(t, "c")
	b.serves(true)
	jobs := openSeveral(t, a, b, c)
	for range 10 {
		if by := answeredBy(t, jobs); by != "b" {
			t.Fatalf("%s has answered, which does not serve", by)
		}
	}
	b.serves(false)
	time.AfterFunc(500*time.Millisecond, func() { c.serves(true) }) // meanwhile nobody does
	comesTo(t, jobs, "c")
	if n := len(a.asked()); n > 0 {
		t.Errorf("a daemon that never served was asked %d times", n)
	}
}

// A daemon that was stopped in the middle says for ever that it serves.
func TestSeveralPrefersWhoServesLast(t *testing.T) {
	a, b := startDaemon(t, "a"), startDaemon(t, "b")
	a.serves(true)
	jobs := openSeveral(t, a, b)
	comesTo(t, jobs, "a")
	b.serves(true)
	comesTo(t, jobs, "b")
	for range 20 {
		if by := answeredBy(t, jobs); by != "b" {
			t.Fatalf("%s has answered after b had begun to serve", by)
		}
	}
}

// hangs lets a daemon answer nothing, and says when it was asked.
func (d *fakeDaemon) hangs() (asked <-chan struct{}) {
	hanging := make(chan struct{}, 10)
	d.answers(func(ctx context.Context, _ int) error {
		hanging <- struct{}{}
		<-ctx.Done()
		return status.FromContextError(ctx.Err()).Err()
	})
	return hanging
}

// A request hangs at a daemon that was stopped; another takes over, and gets the same request with the same key, as soon as
// it serves.
func TestSeveralDoesNotWaitForTheStopped(t *testing.T) {
	a, b := startDaemon(t, "a"), startDaemon(t, "b")
	a.serves(true)
	jobs := openSeveral(t, a, b)
	comesTo(t, jobs, "a")
	hanging := a.hangs()
	go func() {
		<-hanging
		b.serves(true)
	}()
	begin := time.Now()
	if by := answeredBy(t, jobs); by != "b" {
		t.Errorf("%s has answered", by)
	}
	if took := time.Since(begin); took >= firstAttempt {
		t.Errorf("it took %v: the other was asked only when the time for the first had run out", took)
	}
	first, second := a.asked(), b.asked()
	if len(first) != 1 || len(second) != 1 || first[0] == "" || first[0] != second[0] {
		t.Errorf("the keys are %q and %q, want the same one", first, second)
	}
}

// A request hangs at the only daemon that serves, and that one is asked again when the time for an attempt is over, not given
// an error: only the caller's time counts.
func TestSeveralAsksTheSlowAgain(t *testing.T) {
	t.Parallel()
	a, b := startDaemon(t, "a"), startDaemon(t, "b")
	a.serves(true)
	jobs := openSeveral(t, a, b)
	comesTo(t, jobs, "a")
	told := make(chan time.Duration, 10)
	a.answers(func(ctx context.Context, n int) error {
		end, _ := ctx.Deadline()
		told <- time.Until(end)
		if n > 1 {
			return nil
		}
		<-ctx.Done()
		return status.FromContextError(ctx.Err()).Err()
	})
	if by := answeredBy(t, jobs); by != "a" {
		t.Errorf("%s has answered", by)
	}
	keys := a.asked()
	if len(keys) != 2 || keys[0] == "" || keys[0] != keys[1] {
		t.Errorf("the keys are %q, want the same one twice", keys)
	}
	if first := <-told; first < 2*firstAttempt {
		t.Errorf("the daemon is told of an end in %v, want the caller's: it would answer that the time is up before that is known here", first)
	}
}

// A watch of a daemon that was cut off ends when another serves, as if its daemon had gone.
func TestSeveralEndsTheSilentWatch(t *testing.T) {
	a, b := startDaemon(t, "a"), startDaemon(t, "b")
	a.serves(true)
	conn, err := Open(Config{Address: a.address + "," + b.address})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	comesTo(t, tandemv1.NewJobServiceClient(conn), "a")
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	watch, err := healthpb.NewHealthClient(conn).Watch(ctx, &healthpb.HealthCheckRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if r, err := watch.Recv(); err != nil || r.GetStatus() != healthpb.HealthCheckResponse_SERVING {
		t.Fatalf("the watch begins with %v, error %v", r, err)
	}
	b.serves(true)
	if _, err := watch.Recv(); status.Code(err) != codes.Unavailable {
		t.Errorf("the watch of the first ends with %v, want UNAVAILABLE", err)
	}
	// What the caller ends by itself stays that.
	mine, end := context.WithCancel(ctx)
	if watch, err = healthpb.NewHealthClient(conn).Watch(mine, &healthpb.HealthCheckRequest{}); err != nil {
		t.Fatal(err)
	}
	if _, err := watch.Recv(); err != nil {
		t.Fatal(err)
	}
	end()
	if _, err := watch.Recv(); status.Code(err) != codes.Canceled {
		t.Errorf("a watch that its caller has ended ends with %v, want CANCELLED", err)
	}
}

func TestSeveralAsksAgain(t *testing.T) {
	refusal := func(reason string) error {
		st, err := status.New(codes.Unavailable, "not I").WithDetails(&errdetails.ErrorInfo{Reason: reason, Domain: "tandem"})
		if err != nil {
			t.Fatal(err)
		}
		return st.Err()
	}
	d, other := startDaemon(t, "a"), startDaemon(t, "b")
	d.serves(true)
	jobs := openSeveral(t, d, other)
	comesTo(t, jobs, "a")
	propose := func() error {
		_, err := jobs.ProposeGangs(t.Context(), &tandemv1.ProposeGangsRequest{})
		return err
	}
	hold := func() error {
		_, err := jobs.HoldJob(t.Context(), &tandemv1.HoldJobRequest{Id: "j1"})
		return err
	}
	for _, c := range []struct {
		name string
		call func() error
		err  error
		n    int // refusals
		want codes.Code
	}{
		{"what may be asked twice, more often than gRPC would", hold, refusal("ENGINE_STOPPED"), 7, codes.OK},
		{"what may not be asked twice, of one who did nothing", propose, refusal("NOT_LEADER"), 3, codes.OK},
		{"what may not be asked twice, of one who may have done it", propose, refusal("LEAD_LOST"), 1, codes.Unavailable},
		{"a refusal for good", hold, status.Error(codes.FailedPrecondition, "no"), 1, codes.FailedPrecondition},
		{"a daemon's own lack of time", hold, status.Error(codes.DeadlineExceeded, "no"), 1, codes.DeadlineExceeded},
	} {
		d.answers(func(_ context.Context, n int) error {
			if n <= c.n {
				return c.err
			}
			return nil
		})
		if got := status.Code(c.call()); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
		if n, want := len(d.asked()), c.n; c.want == codes.OK && n != want+1 || c.want != codes.OK && n != 1 {
			t.Errorf("%s: asked %d times after %d refusals", c.name, n, want)
		}
	}
}

// Nobody leads: the caller's time counts.
func TestSeveralGivesUp(t *testing.T) {
	a, b := startDaemon(t, "a"), startDaemon(t, "b")
	jobs := openSeveral(t, a, b)
	ctx, cancel := context.WithTimeout(t.Context(), 700*time.Millisecond)
	defer cancel()
	begin := time.Now()
	_, err := jobs.HoldJob(ctx, &tandemv1.HoldJobRequest{Id: "j1"})
	if c := status.Code(err); c != codes.Unavailable && c != codes.DeadlineExceeded {
		t.Errorf("got %v", err)
	}
	if took := time.Since(begin); took > 5*time.Second {
		t.Errorf("gave up after %v", took)
	}
}

func TestSeveralAddresses(t *testing.T) {
	for address, want := range map[string]string{
		"a:1,a:1":            "twice",
		"a:1,":               "host:port",
		"a:1,b":              "host:port",
		"a:1,unix:/run/sock": "socket",
		strings.Repeat("h:1,", 16) + strings.Repeat("x", 3) + ":2": "twice",
	} {
		if conn, err := Open(Config{Address: address}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: error %v, want one about %s", address, err, want)
			if err == nil {
				_ = conn.Close()
			}
		}
	}
}
