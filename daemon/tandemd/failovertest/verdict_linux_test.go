package failovertest

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// verdict is what the ledger says in the end.
type verdict struct {
	head    ledger.Head
	leaders map[uint64]string // by term
	created map[string]uint64 // job -> term in which it was taken in
	grants  int
}

// judge reads the whole ledger, past no damage and no gap, folds it, and compares it with what people were told.
func (c *cluster) judge(ns string, people ...*crowd) verdict {
	c.t.Helper()
	t := c.t
	js, err := jetstream.New(c.nats(ns, "ledger"))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 60*time.Second)
	defer cancel()
	store, err := ledger.OpenJetStream(ctx, js, ledger.Options{SyncAlways: ledger.MajoritySyncAlways(c.nats(ns, "system"), 2*time.Second), Replicas: 3})
	if err != nil {
		t.Fatal(err)
	}
	v := verdict{leaders: map[uint64]string{}, created: map[string]uint64{}}
	f := floor.New()
	var fence uint64
	live := map[string]string{}                                   // job/step -> run
	err = store.Replay(ctx, 0, func(rec *ledgerv1.Record) error { // verifies checksums, chain, revisions, terms and times
		if err := f.Admit(rec); err != nil {
			return err
		}
		for _, e := range rec.GetEvents() {
			switch k := e.GetKind().(type) {
			case *ledgerv1.Event_TermBegan:
				if name, twice := v.leaders[k.TermBegan.GetTerm()]; twice {
					t.Errorf("term %d is begun by %s and by %s", k.TermBegan.GetTerm(), name, k.TermBegan.GetLeader())
				}
				v.leaders[k.TermBegan.GetTerm()] = k.TermBegan.GetLeader()
			case *ledgerv1.Event_JobCreated:
				id := k.JobCreated.GetJob().GetId()
				if _, twice := v.created[id]; twice {
					t.Errorf("job %s was taken in twice", id)
				}
				v.created[id] = rec.GetTerm()
			case *ledgerv1.Event_RunGranted:
				r := k.RunGranted.GetRun()
				step := r.GetJob() + "/" + r.GetStep()
				if r.GetFence() <= fence {
					t.Errorf("run %s has fence %d after %d", r.GetId(), r.GetFence(), fence)
				}
				if other := live[step]; other != "" {
					t.Errorf("%s was given as run %s while run %s of it lived", step, r.GetId(), other)
				}
				fence, live[step] = r.GetFence(), r.GetId()
				v.grants++
			case *ledgerv1.Event_RunRefused:
				if run, ok := f.Run(k.RunRefused.GetRun()); ok {
					delete(live, run.Step.Job.ID+"/"+run.Step.ID())
				}
			}
		}
		f.ApplyRecord(rec)
		return nil
	})
	if err != nil {
		t.Fatalf("the ledger: %v", err)
	}
	if err := f.Check(); err != nil {
		t.Errorf("the floor of the ledger: %v", err)
	}
	v.head = store.Head()
	acked := 0
	for _, w := range people {
		w.mu.Lock()
		for _, a := range w.acked {
			acked++
			term, there := v.created[a.job]
			if !there {
				t.Errorf("job %s was acknowledged by %s and is not in the ledger", a.job, a.by)
			} else if by := c.named(v.leaders[term]); by == nil {
				t.Errorf("term %d was begun by %q, which is none of the daemons", term, v.leaders[term])
			} else if by.clients.String() != a.by && !c.answeredLater(v, a) {
				t.Errorf("job %s was taken in by %s in term %d and acknowledged by %s", a.job, by.name, term, a.by)
			}
		}
		w.mu.Unlock()
	}
	t.Logf("%d revisions, %d terms, %d jobs, %d of them acknowledged, %d grants", v.head.Revision, len(v.leaders), len(v.created), acked, v.grants)
	return v
}

// answeredLater says whether a job was stored by one leader, and acknowledged by a later one, to whom its submitter had
// sent the request again.
func (c *cluster) answeredLater(v verdict, a acknowledged) bool {
	for term, name := range v.leaders {
		if m := c.named(name); term > v.created[a.job] && m != nil && m.clients.String() == a.by {
			return true
		}
	}
	return false
}

func (c *cluster) named(name string) *member {
	for _, m := range c.members {
		if m.name == name {
			return m
		}
	}
	return nil
}

// finish waits until every job is done, each step in one run that began.
func (c *cluster) finish(within time.Duration) {
	c.t.Helper()
	jobs := tandemv1.NewJobServiceClient(c.client())
	var open []*tandemv1.Job
	list := func() (all []*tandemv1.Job, err error) {
		ctx, cancel := context.WithTimeout(c.t.Context(), 10*time.Second)
		defer cancel()
		request := &tandemv1.ListJobsRequest{PageSize: 1000}
		for {
			r, err := jobs.ListJobs(ctx, request)
			if err != nil {
				return nil, err
			}
			all = append(all, r.GetJobs()...)
			if request.PageToken = r.GetNextPageToken(); request.GetPageToken() == "" {
				return all, nil
			}
		}
	}
	var all []*tandemv1.Job
	deadline := time.Now().Add(within)
	for {
		var err error
		if all, err = list(); err != nil && !errors.Is(err, context.DeadlineExceeded) {
			c.t.Logf("list jobs: %v", err)
		}
		open = open[:0]
		for _, j := range all {
			if j.GetState() != tandemv1.JobState_JOB_STATE_COMPLETED {
				open = append(open, j)
			}
		}
		if err == nil && len(open) == 0 {
			break
		}
		if time.Now().After(deadline) {
			c.t.Fatalf("%d of %d jobs are not done after %v, such as %v", len(open), len(all), within, open[0])
		}
		time.Sleep(100 * time.Millisecond)
	}
	for _, j := range all {
		for _, s := range j.GetSteps() {
			begun := 0
			for _, r := range s.GetRuns() {
				if r.GetStartTime() != nil {
					begun++
				}
			}
			if begun != 1 {
				c.t.Errorf("%s/%s began in %d runs: %v", j.GetId(), s.GetId(), begun, s.GetRuns())
			}
		}
	}
}

func report(t *testing.T, what string, took time.Duration) {
	t.Helper()
	t.Logf("takeover after %s: %v from the blow until another daemon has acknowledged", what, took.Round(time.Millisecond))
}
