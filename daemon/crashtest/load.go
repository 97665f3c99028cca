package crashtest

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/anishathalye/porcupine"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
)

const (
	// patience is how long a client waits for an answer, the time in which the daemon is away included.
	patience = 8 * time.Second
	// freshJobs is how many jobs the clients talk about at the same time.
	freshJobs = 4
	// mostRequests and mostUnknown retire a job: what is checked grows with each request, and doubles with each unknown one.
	mostRequests, mostUnknown = 40, 4
	// mostOpenWork bounds the work jobs that have not ended, so that the devices keep up.
	mostOpenWork = 24
)

// Load is a number of clients that ask all at once, and write down what they ask and hear.
type Load struct {
	shop  *Shop
	name  string // begins the ids of its jobs
	began time.Time
	work  bool // hand in work for the devices, too

	mu         sync.Mutex
	rand       *rand.Rand
	history    []porcupine.Operation
	fresh      [freshJobs]*freshJob
	made       int
	starts     map[string]int           // starts of a run that were answered: one that came too late is given again
	accepted   map[string]*tandemv1.Job // work jobs acknowledged, as first answered, by id
	acceptedAt map[string]time.Time     // when that was, by the wall clock
	handedIn   int
	openWork   int
	seen       Seen
	heads      map[uint64]string // revision -> hash, as told
	refusals   map[string]int    // reasons of UNAVAILABLE
	violations []error

	// Figures.
	Requests, Unknown int
	Resolved          int // runs that a person has found never begun
}

// Seen is the newest that any client has seen of the daemon.
type Seen struct {
	Revision uint64
	Term     uint64
	Now      time.Time
}

// freshJob is a job that only clients change.
type freshJob struct {
	id       string
	requests []kind // asked so far, by number
	unknown  int
}

// NewLoad makes clients of a shop. Loads of one ledger need names of their own. With work they also hand in jobs that devices
// have to do.
func NewLoad(shop *Shop, name string, seed uint64, work bool) *Load {
	return &Load{
		shop: shop, name: name, began: time.Now(), work: work, rand: rand.New(rand.NewPCG(seed, 1)),
		starts: map[string]int{}, accepted: map[string]*tandemv1.Job{}, acceptedAt: map[string]time.Time{}, heads: map[uint64]string{}, refusals: map[string]int{},
	}
}

// Run lets clients ask until ctx ends, one request after the other each.
func (l *Load) Run(ctx context.Context, clients int) {
	var all sync.WaitGroup
	for range clients {
		all.Go(func() {
			for ctx.Err() == nil {
				l.ask(ctx)
				pause := time.Duration(l.chance(8)) * time.Millisecond
				select {
				case <-time.After(pause):
				case <-ctx.Done():
				}
			}
		})
	}
	if l.work {
		all.Go(func() { l.startMachines(ctx) })
	}
	all.Wait()
}

func (l *Load) chance(n int) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.rand.IntN(n)
}

// ask is one request of one client.
func (l *Load) ask(ctx context.Context) {
	switch n := l.chance(100); {
	case n < 5:
		l.status(ctx)
	case n < 25 && l.work:
		l.handIn(ctx)
	case n < 30 && l.work:
		l.repeat(ctx)
	default:
		l.talk(ctx)
	}
}

// talk asks something about a job that only clients change, again and again until it is answered.
func (l *Load) talk(ctx context.Context) {
	job, q := l.question()
	for range 4 {
		a := l.attempt(ctx, job, q)
		if a.result != unknown || ctx.Err() != nil {
			return
		}
	}
}

// question chooses a job and what is asked about it: something new, or once more what was asked before.
func (l *Load) question() (*freshJob, question) {
	l.mu.Lock()
	defer l.mu.Unlock()
	at := l.rand.IntN(freshJobs)
	j := l.fresh[at]
	if j == nil || len(j.requests) >= mostRequests || j.unknown >= mostUnknown {
		l.made++
		j = &freshJob{id: fmt.Sprintf("%s-fresh-%d", l.name, l.made)}
		l.fresh[at] = j
	}
	q := question{job: j.id}
	if n := len(j.requests); n > 0 && l.rand.IntN(8) == 0 {
		q.request = uint(l.rand.IntN(n))
		q.kind = j.requests[q.request]
		return j, q
	}
	switch n := l.rand.IntN(100); {
	case len(j.requests) == 0, n < 4:
		q.kind = create
	case n < 34:
		q.kind = hold
	case n < 64:
		q.kind = release
	case n < 66:
		q.kind = cancelJob
	default:
		q.kind = get
	}
	q.request = uint(len(j.requests))
	j.requests = append(j.requests, q.kind)
	return j, q
}

// attempt asks once and writes it down.
func (l *Load) attempt(ctx context.Context, j *freshJob, q question) answer {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), patience)
	defer cancel()
	request := fmt.Sprintf("%s-%d", q.job, q.request)
	var job *tandemv1.Job
	var err error
	called := time.Since(l.began)
	switch ready := grpc.WaitForReady(true); q.kind {
	case create:
		job, err = l.shop.Jobs.CreateJob(ctx, &tandemv1.CreateJobRequest{Job: &tandemv1.Job{
			Id: q.job, Pieces: 1, ReleaseTime: timestamppb.New(time.Date(2099, 1, 1, 0, 0, 0, 0, time.UTC)),
			Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}},
		}, RequestId: request}, ready)
	case hold:
		job, err = l.shop.Jobs.HoldJob(ctx, &tandemv1.HoldJobRequest{Id: q.job, RequestId: request, Actor: "marit"}, ready)
	case release:
		job, err = l.shop.Jobs.ReleaseJob(ctx, &tandemv1.ReleaseJobRequest{Id: q.job, RequestId: request, Actor: "marit"}, ready)
	case cancelJob:
		job, err = l.shop.Jobs.CancelJob(ctx, &tandemv1.CancelJobRequest{Id: q.job, RequestId: request, Actor: "marit"}, ready)
	case get:
		job, err = l.shop.Jobs.GetJob(ctx, &tandemv1.GetJobRequest{Id: q.job}, ready)
	}
	heard := time.Since(l.began)
	a := answer{result: l.resultOf(q.kind.String()+" "+request, err)}
	if a.result == done {
		a.code = job.GetCode()
		a.canceled = job.GetState() == tandemv1.JobState_JOB_STATE_CANCELED
		a.held = slices.Contains(job.GetStateReasons(), "job-hold-until-specified")
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.Requests++
	op := porcupine.Operation{Input: q, Call: called.Nanoseconds(), Output: a, Return: heard.Nanoseconds()}
	if a.result == unknown {
		l.Unknown++
		if q.kind == get {
			return a // it changes nothing, and nobody knows what was seen
		}
		j.unknown++
		op.Return = never
	}
	l.history = append(l.history, op)
	if a.result == done && q.kind != get {
		// A change is answered with the job as it is by then, which may be after further changes: that is a look of its own.
		op.Input = question{job: q.job, kind: get}
		l.history = append(l.history, op)
	}
	return a
}

// never is the time of an answer that has not come: what was asked may still be done.
const never = int64(1) << 62

// resultOf sorts the errors of requests about jobs. One that no daemon should give is a violation.
func (l *Load) resultOf(what string, err error) result {
	if err == nil {
		return done
	}
	reason := Reason(err)
	switch c := status.Code(err); {
	case c == codes.NotFound:
		return missing
	case c == codes.AlreadyExists && reason == "JOB_EXISTS":
		return exists
	case c == codes.FailedPrecondition:
		return refused
	case c == codes.Unavailable:
		l.mu.Lock()
		l.refusals[reason]++
		l.mu.Unlock()
		if reason == "LEDGER_READ_ONLY" || reason == "LEDGER_OPENING" {
			return closed
		}
		return unknown
	case c == codes.DeadlineExceeded, c == codes.Canceled:
		return unknown
	}
	l.violate(fmt.Errorf("%s: no daemon should answer %w", what, err))
	return unknown
}

// Reason returns google.rpc.ErrorInfo.reason of an error; empty if it has none.
func Reason(err error) string {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return info.GetReason()
		}
	}
	return ""
}

func (l *Load) violate(err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.violations = append(l.violations, err)
}

// Refused says how often a request was UNAVAILABLE for a reason.
func (l *Load) Refused(reason string) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.refusals[reason]
}

// workJob is a job that devices have to do: printed without anybody there, dried, cut once a person starts it.
func workJob(id string) *tandemv1.Job {
	return &tandemv1.Job{Id: id, Pieces: 10, Steps: []*tandemv1.Step{
		{Id: "print", Operation: "print", Mode: "production", WidthUm: 300_000, LengthUm: 500_000},
		{Id: "dry", Operation: "dry", After: []string{"print"}, Duration: durationpb.New(10 * time.Minute)},
		{Id: "cut", Operation: "cut", After: []string{"dry"}, PathLengthUm: 5_000_000},
	}}
}

// handIn submits work until it is acknowledged.
func (l *Load) handIn(ctx context.Context) {
	l.mu.Lock()
	if l.openWork >= mostOpenWork {
		l.mu.Unlock()
		return
	}
	l.openWork++
	l.handedIn++
	id := fmt.Sprintf("%s-work-%d", l.name, l.handedIn)
	l.mu.Unlock()
	for range 4 {
		if l.submit(ctx, id) != unknown || ctx.Err() != nil {
			return
		}
	}
}

// promisedFor is how long the daemon promises, in floor time, to know a request again; what is asked takes some of it.
const promisedFor = 7*24*time.Hour - 24*time.Hour

// repeat submits work once more that was acknowledged before.
func (l *Load) repeat(ctx context.Context) {
	l.mu.Lock()
	var id string
	if l.handedIn > 0 {
		id = fmt.Sprintf("%s-work-%d", l.name, 1+l.rand.IntN(l.handedIn))
	}
	known := l.accepted[id] != nil && time.Since(l.acceptedAt[id]) < time.Duration(float64(promisedFor)/l.shop.cfg.TimeScale)
	l.mu.Unlock()
	if known {
		l.submit(ctx, id)
	}
}

// submit hands a work job in, for the first time or again: the answer is always the same job.
func (l *Load) submit(ctx context.Context, id string) result {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), patience)
	defer cancel()
	job, err := l.shop.Jobs.CreateJob(ctx, &tandemv1.CreateJobRequest{Job: workJob(id), RequestId: "in-" + id}, grpc.WaitForReady(true))
	r := l.resultOf("create "+id, err)
	l.mu.Lock()
	defer l.mu.Unlock()
	l.Requests++
	switch before := l.accepted[id]; {
	case r == unknown:
		l.Unknown++
	case r == closed:
		if before == nil {
			l.openWork--
		}
	case r != done:
		l.violations = append(l.violations, fmt.Errorf("create %s with one request id: %w", id, err))
	case before == nil:
		l.accepted[id], l.acceptedAt[id] = job, time.Now()
	default:
		if err := sameJob(before, job); err != nil {
			l.violations = append(l.violations, fmt.Errorf("create %s again: %w", id, err))
		}
	}
	return r
}

// sameJob compares what never changes of a job.
func sameJob(before, now *tandemv1.Job) error {
	switch {
	case before.GetCode() != now.GetCode() || !before.GetCreateTime().AsTime().Equal(now.GetCreateTime().AsTime()):
		return fmt.Errorf("it was %s of %v, and is %s of %v", before.GetCode(), before.GetCreateTime().AsTime(), now.GetCode(), now.GetCreateTime().AsTime())
	case len(now.GetSteps()) != len(before.GetSteps()) || len(now.GetPanels()) != len(before.GetPanels()):
		return fmt.Errorf("it has %d steps and %d panels of %d and %d", len(now.GetSteps()), len(now.GetPanels()), len(before.GetSteps()), len(before.GetPanels()))
	case now.GetRevision() < before.GetRevision():
		return fmt.Errorf("its revision was %d and is %d", before.GetRevision(), now.GetRevision())
	}
	return nil
}

// status asks how the daemon is, and compares it with what anybody has seen before that.
func (l *Load) status(ctx context.Context) {
	l.mu.Lock()
	before := l.seen
	l.mu.Unlock()
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), patience)
	defer cancel()
	st, err := l.shop.Admin.GetStatus(ctx, &tandemv1.GetStatusRequest{}, grpc.WaitForReady(true))
	if err != nil {
		l.resultOf("status", err)
		return
	}
	openWork, err := l.countWork(ctx)
	if err != nil {
		l.resultOf("list jobs", err)
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	now := st.GetNow().AsTime()
	if st.GetRevision() < before.Revision || st.GetTerm() < before.Term {
		l.violations = append(l.violations, fmt.Errorf("revision %d of term %d after revision %d of term %d", st.GetRevision(), st.GetTerm(), before.Revision, before.Term))
	}
	if told, ok := l.heads[st.GetRevision()]; ok && told != st.GetLedgerHead() {
		l.violations = append(l.violations, fmt.Errorf("revision %d had the hash %s, and has %s", st.GetRevision(), told, st.GetLedgerHead()))
	}
	l.heads[st.GetRevision()] = st.GetLedgerHead()
	if now.Before(before.Now) {
		l.violations = append(l.violations, fmt.Errorf("the floor's clock shows %v after %v", now, before.Now))
	}
	l.openWork = openWork
	l.seen.Revision, l.seen.Term = max(l.seen.Revision, st.GetRevision()), max(l.seen.Term, st.GetTerm())
	if now.After(l.seen.Now) {
		l.seen.Now = now
	}
}

// countWork counts the work jobs that have not ended. Most of the open ones are not among them, but those that clients talk about.
func (l *Load) countWork(ctx context.Context) (n int, err error) {
	for token := ""; ; {
		page, err := l.shop.Jobs.ListJobs(ctx, &tandemv1.ListJobsRequest{PageSize: 1000, PageToken: token, States: []tandemv1.JobState{
			tandemv1.JobState_JOB_STATE_PENDING, tandemv1.JobState_JOB_STATE_PENDING_HELD, tandemv1.JobState_JOB_STATE_PROCESSING, tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED,
		}}, grpc.WaitForReady(true))
		if err != nil {
			return 0, err
		}
		for _, j := range page.GetJobs() {
			if strings.Contains(j.GetId(), "-work-") {
				n++
			}
		}
		if token = page.GetNextPageToken(); token == "" {
			return n, nil
		}
	}
}

// Check returns what was wrong so far, and checks the history of the jobs that only clients change against the model.
func (l *Load) Check() error {
	const within = 60 * time.Second
	l.mu.Lock()
	defer l.mu.Unlock()
	errs := append([]error(nil), l.violations...)
	if err := checkHistory(l.history, within); err != nil {
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

// checkHistory looks for an order of the requests in which a daemon that does one after the other gives these answers.
func checkHistory(history []porcupine.Operation, within time.Duration) error {
	parts := jobModel.Partition(history)
	for _, part := range parts {
		switch porcupine.CheckOperationsTimeout(jobModel, part, within) {
		case porcupine.Illegal:
			return fmt.Errorf("no order of the requests explains the answers about one job:\n%s", tell(part))
		case porcupine.Unknown:
			return fmt.Errorf("whether the answers about one job can be explained was not found out in %v:\n%s", within, tell(part))
		case porcupine.Ok:
		}
	}
	return nil
}

func tell(part []porcupine.Operation) string {
	var text strings.Builder
	for _, op := range part {
		end := "never"
		if op.Return != never {
			end = time.Duration(op.Return).String()
		}
		fmt.Fprintf(&text, "%v to %s: %s\n", time.Duration(op.Call), end, jobModel.DescribeOperation(op.Input, op.Output))
	}
	return text.String()
}
