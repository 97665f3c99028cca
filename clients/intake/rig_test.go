package intake

import (
	"context"
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
)

// daemon keeps jobs as the real one does: whole, once for each request id, which it remembers with what was asked.
type daemon struct {
	tandemv1.JobServiceClient

	mu       sync.Mutex
	jobs     map[string]*tandemv1.Job
	answers  map[string][32]byte // request id to what was asked
	requests []*tandemv1.CreateJobRequest
	calls    int
	fail     func(*tandemv1.CreateJobRequest) error
	during   func() // called while a request is answered
}

// asked is how often the daemon was asked to take a job in.
func (d *daemon) asked() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.calls
}

// set changes the daemon while it may be asked.
func (d *daemon) set(change func(*daemon)) {
	d.mu.Lock()
	defer d.mu.Unlock()
	change(d)
}

func newDaemon() *daemon {
	return &daemon{jobs: map[string]*tandemv1.Job{}, answers: map[string][32]byte{}}
}

func (d *daemon) CreateJob(ctx context.Context, r *tandemv1.CreateJobRequest, _ ...grpc.CallOption) (*tandemv1.Job, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.calls++
	if d.fail != nil {
		if err := d.fail(r); err != nil {
			return nil, err
		}
	}
	if d.during != nil {
		d.during()
	}
	if err := ctx.Err(); err != nil {
		return nil, status.FromContextError(err).Err()
	}
	data, err := proto.MarshalOptions{Deterministic: true}.Marshal(r)
	if err != nil {
		return nil, err
	}
	d.requests = append(d.requests, proto.CloneOf(r))
	id, print := r.GetJob().GetId(), sha256.Sum256(data)
	if before, known := d.answers[r.GetRequestId()]; known {
		if before != print {
			return nil, reasoned(codes.AlreadyExists, "REQUEST_ID_REUSED", "request id used for a different request")
		}
		return proto.CloneOf(d.jobs[id]), nil
	}
	if d.jobs[id] != nil {
		return nil, reasoned(codes.AlreadyExists, "JOB_EXISTS", "there is a job of that id")
	}
	job := proto.CloneOf(r.GetJob())
	job.Code, job.State = fmt.Sprintf("J%d", 100+len(d.jobs)), tandemv1.JobState_JOB_STATE_PENDING
	if !r.GetValidateOnly() {
		d.jobs[id], d.answers[r.GetRequestId()] = job, print
	}
	return proto.CloneOf(job), nil
}

func (d *daemon) GetJob(_ context.Context, r *tandemv1.GetJobRequest, _ ...grpc.CallOption) (*tandemv1.Job, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if job := d.jobs[r.GetId()]; job != nil {
		return proto.CloneOf(job), nil
	}
	return nil, reasoned(codes.NotFound, "NOT_FOUND", "there is no such job")
}

func reasoned(code codes.Code, reason, message string) error {
	st, err := status.New(code, message).WithDetails(&errdetails.ErrorInfo{Reason: reason, Domain: "tandem"})
	if err != nil {
		panic(err)
	}
	return st.Err()
}

// rig is a watched folder with what was told.
type rig struct {
	*testing.T

	dir    string
	daemon *daemon
	config Config

	mu     sync.Mutex
	events []Event
}

// newRig is for use in a bubble of testing/synctest: time is what the test makes it.
func newRig(t *testing.T) *rig {
	t.Helper()
	r := &rig{T: t, dir: filepath.Join(t.TempDir(), "tickets"), daemon: newDaemon()}
	if err := os.Mkdir(r.dir, 0o777); err != nil {
		t.Fatal(err)
	}
	r.config = Config{Dir: r.dir, Jobs: r.daemon, Actor: "hot-folder", PollOnly: true, Tell: r.tell}
	return r
}

func (r *rig) tell(e Event) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.events = append(r.events, e)
}

// put writes a file in the folder.
func (r *rig) put(name, data string) {
	r.Helper()
	path := filepath.Join(r.dir, name)
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		r.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(data), 0o666); err != nil {
		r.Fatal(err)
	}
}

func (r *rig) append(name, data string) {
	r.Helper()
	f, err := os.OpenFile(filepath.Join(r.dir, name), os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		r.Fatal(err)
	}
	if _, err := f.WriteString(data); err != nil {
		r.Fatal(err)
	}
	if err := f.Close(); err != nil {
		r.Fatal(err)
	}
}

func (r *rig) get(name string) string {
	r.Helper()
	data, err := os.ReadFile(filepath.Join(r.dir, name))
	if err != nil {
		r.Fatal(err)
	}
	return string(data)
}

// once deals with what is there.
func (r *rig) once() Summary {
	r.Helper()
	c := r.config
	c.Once = true
	sum, err := Run(r.Context(), c)
	if err != nil {
		r.Fatal(err)
	}
	return sum
}

// watch runs until the function it returns is called, which gives the summary.
func (r *rig) watch() func() Summary {
	r.Helper()
	ctx, cancel := context.WithCancel(r.Context())
	var sum Summary
	var err error
	done := make(chan struct{})
	go func() {
		defer close(done)
		sum, err = Run(ctx, r.config)
	}()
	return func() Summary {
		r.Helper()
		cancel()
		<-done
		if err != nil {
			r.Error(err)
		}
		return sum
	}
}

// crash runs until the step, and ends there as if the program had been killed.
func (r *rig) crash(step string) {
	r.Helper()
	c := r.config
	c.Once = true
	orDefault(&c.Settle, settleDefault)
	orDefault(&c.Patience, patienceDefault)
	orDefault(&c.Poll, pollDefault)
	orDefault(&c.Timeout, timeoutDefault)
	f, err := open(c)
	if err != nil {
		r.Fatal(err)
	}
	defer f.close()
	f.at = func(at string) error {
		if at == step {
			return fmt.Errorf("killed")
		}
		return nil
	}
	for f.stopped == nil {
		next := f.pass(r.Context())
		if f.stopped == nil && f.idle() {
			r.Fatalf("never came to %s", step)
		}
		f.sleep(r.Context(), next, nil)
	}
}

// tree lists the files of the folder but its own state.
func (r *rig) tree() string {
	r.Helper()
	var names []string
	err := filepath.WalkDir(r.dir, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			if d != nil && d.Name() == stateFolder {
				return filepath.SkipDir
			}
			return err
		}
		rel, err := filepath.Rel(r.dir, path)
		names = append(names, filepath.ToSlash(rel))
		return err
	})
	if err != nil {
		r.Fatal(err)
	}
	slices.Sort(names)
	return strings.Join(names, " ")
}

func (r *rig) wantTree(want string) {
	r.Helper()
	if got := r.tree(); got != want {
		r.Errorf("the folder holds %s\nwant             %s", got, want)
	}
}

func (r *rig) wantJobs(want ...string) {
	r.Helper()
	r.daemon.mu.Lock()
	defer r.daemon.mu.Unlock()
	var got []string
	for id := range r.daemon.jobs {
		got = append(got, id)
	}
	slices.Sort(got)
	slices.Sort(want)
	if !slices.Equal(got, want) {
		r.Errorf("the daemon has the jobs %v, want %v", got, want)
	}
}

// told returns the kinds and files of what was told.
func (r *rig) told() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	var list []string
	for _, e := range r.events {
		list = append(list, strings.TrimSpace(string(e.Kind)+" "+e.File))
	}
	return strings.Join(list, ", ")
}

func (r *rig) wantTold(want string) {
	r.Helper()
	if got := r.told(); got != want {
		r.Errorf("told %s\nwant %s", got, want)
	}
}

func (r *rig) has(name, want string) {
	r.Helper()
	if got := r.get(name); !strings.Contains(got, want) {
		r.Errorf("%s holds no %q:\n%s", name, want, got)
	}
}

// seconds lets time pass until nothing moves.
func seconds(n float64) {
	time.Sleep(time.Duration(n * float64(time.Second)))
	synctest.Wait()
}

func inBubble(f func(r *rig)) func(*testing.T) {
	return func(t *testing.T) {
		t.Helper()
		synctest.Test(t, func(t *testing.T) { f(newRig(t)) })
	}
}

// ticket is a small one of that id.
func ticket(id string) string {
	return "id: " + id + "\npieces: 3\nsteps:\n  - {id: cut, operation: cut, media: foil-navy}\n"
}

// itemTicket is one with an item that names a cut file.
func itemTicket(id, uri, sha256 string) string {
	return fmt.Sprintf("id: %s\nitems:\n  - id: gull\n    width_mm: 90\n    height_mm: 60\n    quantity: 5\n    media: foil-navy\n    cut_kind: kiss\n    cut: {uri: %q, sha256: %q}\n", id, uri, sha256)
}
