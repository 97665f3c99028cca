package api_test

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"tandem/daemon/api"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// hold holds and releases a job: two records.
func (d *daemon) hold(job string) {
	d.tb.Helper()
	for _, c := range []floor.Command{floor.HoldJob{Job: job, Note: "wait"}, floor.ReleaseJob{Job: job}} {
		if _, err := d.engine.Do(d.ctx(), floor.Meta{Actor: "mira"}, c); err != nil {
			d.tb.Fatal(err)
		}
	}
}

// list pages through the ledger.
func (d *daemon) list(req *tandemv1.ListEventsRequest) (commits []*tandemv1.WatchEventsResponse) {
	d.tb.Helper()
	for {
		page, err := d.events.ListEvents(d.ctx(), req)
		if err != nil {
			d.tb.Fatal(err)
		}
		commits = append(commits, page.GetCommits()...)
		if req.AfterRevision = page.GetNextAfterRevision(); req.GetAfterRevision() == 0 {
			return commits
		}
	}
}

// reader reads one watch to its end.
type reader struct {
	req *tandemv1.WatchEventsRequest

	mu  sync.Mutex
	got []*tandemv1.WatchEventsResponse
	err error
}

func (r *reader) read(s stream, pause time.Duration) {
	for n := 0; ; n++ {
		m, err := s.Recv()
		r.mu.Lock()
		if err == nil {
			r.got = append(r.got, m)
		}
		r.err = err
		r.mu.Unlock()
		if err != nil {
			return
		}
		if n%50 == 0 {
			time.Sleep(pause)
		}
	}
}

// progress returns how many messages have come, and the error after the last.
func (r *reader) progress() (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return len(r.got), r.err
}

// Whatever a watch asks for, wherever it begins and however slowly it reads, it brings what the ledger says about it: each
// revision whole and once. The ledger is paged through for comparison, which shares with the watchers only the choice of
// events.
func TestEveryWatchBringsWhatTheLedgerSays(t *testing.T) {
	d := newDaemon(t)
	d.createTags("tags-1", "tags-2")
	d.create("job-0")
	begin := d.revision()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var readers []*reader
	var reading sync.WaitGroup
	for i, job := range []string{"", "job-0", "job-7", "tags-1", "tags-2", "nobody"} {
		for k, device := range []string{"", "cutter-1", "bench"} {
			for _, revision := range []uint64{1, begin} {
				r := &reader{req: &tandemv1.WatchEventsRequest{Job: job, Device: device, Revision: revision}}
				s := d.watch(ctx, r.req)
				readers = append(readers, r)
				reading.Go(func() { r.read(s, time.Duration((i+k)%2*5)*time.Millisecond) })
			}
		}
	}
	for i := range 40 {
		d.create(fmt.Sprint("job-", i+1))
		switch i {
		case 5:
			d.greet("cutter-1")
		case 10:
			if _, err := d.jobs.GangJobs(t.Context(), &tandemv1.GangJobsRequest{Id: "g", Jobs: []string{"tags-1", "tags-2"}, Actor: "mira"}); err != nil {
				t.Fatal(err)
			}
			d.hold("g")
		case 20:
			d.greet("cutter-2")
			for range 2 * api.MostWaiting { // faster than the slow ones read
				d.hold("job-0")
			}
		case 30:
			for _, job := range []string{"g", "job-7", "tags-1", "tags-2"} {
				d.hold(job)
			}
		}
		d.hold("job-0")
	}
	for _, r := range readers {
		want := d.list(&tandemv1.ListEventsRequest{AfterRevision: r.req.GetRevision(), PageSize: 1000, Job: r.req.GetJob(), Device: r.req.GetDevice()})
		for deadline := time.Now().Add(30 * time.Second); ; time.Sleep(time.Millisecond) {
			n, err := r.progress()
			if err != nil || time.Now().After(deadline) {
				t.Fatalf("%v: %d of %d messages, then %v", r.req, n, len(want), err)
			}
			if n >= len(want) {
				break
			}
		}
		for i, m := range want {
			if !proto.Equal(r.got[i], m) {
				t.Fatalf("%v: message %d is %v, want %v", r.req, i, r.got[i], m)
			}
		}
	}
	for _, r := range readers {
		if r.req.GetJob() == "tags-1" && r.req.GetDevice() == "" && len(r.got) < 4 {
			t.Errorf("%v brought only %v: gang runs were not tried", r.req, r.got)
		}
	}
	cancel()
	reading.Wait()
}

// Watchers that ask for the same get the same bytes, and one that stalls is told so while the others miss nothing.
func TestAStalledWatcherSlowsNobody(t *testing.T) {
	d := newDaemon(t)
	d.face.SetSendWithin(200 * time.Millisecond)
	d.create("a")
	begin := d.revision()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	stalled := d.watch(ctx, &tandemv1.WatchEventsRequest{Revision: begin})
	var readers []*reader
	for range 20 {
		r := &reader{req: &tandemv1.WatchEventsRequest{Revision: begin}}
		go r.read(d.watch(ctx, r.req), 0)
		readers = append(readers, r)
	}
	note := strings.Repeat("n", 1990)
	const holds = 500 // 1 MB: more than a stream takes
	for i := range holds {
		if _, err := d.jobs.HoldJob(t.Context(), &tandemv1.HoldJobRequest{Id: "a", Note: fmt.Sprint(note, i)}); err != nil {
			t.Fatal(err)
		}
	}
	for i, r := range readers {
		for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(time.Millisecond) {
			n, err := r.progress()
			if err != nil || time.Now().After(deadline) {
				t.Fatalf("watcher %d: %d messages, then %v", i, n, err)
			}
			if n == holds {
				break
			}
		}
	}
	// Its connection is the others', which read on: so the cut comes through when it looks at last.
	time.Sleep(400 * time.Millisecond) // the wait is what is tested
	var err error
	n := 0
	for ; err == nil; n++ {
		_, err = stalled.Recv()
	}
	if got := reason(err); got != "ResourceExhausted WATCHER_STALLED" || n > 100 {
		t.Errorf("after %d messages: %s (%v)", n, got, err)
	}
}

func TestWatchesAreLimited(t *testing.T) {
	d := newDaemon(t)
	d.face.SetWatchLimits(3, 5, 2)
	d.create("a")
	scopes := func(open int) []string {
		t.Helper()
		var out []string
		for range open {
			s := d.watch(t.Context(), &tandemv1.WatchEventsRequest{})
			if _, err := s.Recv(); err != nil {
				out = append(out, reason(err)+" "+infoOf(err).GetMetadata()["scope"]+" "+infoOf(err).GetMetadata()["limit"])
			}
		}
		return out
	}
	if got := scopes(4); len(got) != 1 || got[0] != "ResourceExhausted TOO_MANY_WATCHES connection 3" {
		t.Errorf("four watches of one connection: %q", got)
	}
	leave := d.dialAgain()
	if got := scopes(3); len(got) != 1 || got[0] != "ResourceExhausted TOO_MANY_WATCHES daemon 5" {
		t.Errorf("three more of another: %q", got)
	}
	leave()
	d.dialAgain()
	for deadline := time.Now().Add(10 * time.Second); ; time.Sleep(time.Millisecond) {
		got := scopes(1)
		if len(got) == 0 {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("the connection that has ended still counts: %q", got)
		}
	}
}

// What was sent to a stalled watcher stays in memory until its connection ends, so a connection has only so many.
func TestAConnectionWithManyStallsGetsNoMoreWatches(t *testing.T) {
	d := newDaemon(t)
	d.face.SetWatchLimits(3, 5, 2)
	d.face.SetSendWithin(time.Millisecond)
	d.create("a")
	begin := d.revision()
	for i := range 100 {
		if _, err := d.jobs.HoldJob(t.Context(), &tandemv1.HoldJobRequest{Id: "a", Note: fmt.Sprint(strings.Repeat("n", 1990), i)}); err != nil {
			t.Fatal(err)
		}
	}
	for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(time.Millisecond) {
		ctx, done := context.WithCancel(t.Context())
		s := d.watch(ctx, &tandemv1.WatchEventsRequest{Revision: d.revision()}) // nothing to send: it says whether it may
		refused := make(chan error, 1)
		go func() {
			_, err := s.Recv()
			refused <- err
		}()
		select {
		case err := <-refused:
			if got := reason(err); got == "ResourceExhausted TOO_MANY_STALLS" {
				done()
				d.dialAgain()
				if m := recv(t, d.watch(t.Context(), &tandemv1.WatchEventsRequest{Revision: begin})); m.GetRevision() != begin+1 {
					t.Errorf("on a new connection: %v", m)
				}
				return
			}
		case <-time.After(10 * time.Millisecond):
		}
		done() // else it takes the place of one that stalls
		if time.Now().After(deadline) {
			t.Fatal("a connection may stall for ever")
		}
		d.watch(t.Context(), &tandemv1.WatchEventsRequest{Revision: begin}) // never read
	}
}

func TestAWatchEndsWithTheDaemon(t *testing.T) {
	d := newDaemon(t)
	s := d.watch(t.Context(), &tandemv1.WatchEventsRequest{})
	state(t, s)
	d.face.Shutdown()
	if _, err := s.Recv(); reason(err) != "Unavailable DAEMON_STOPPING" {
		t.Errorf("%v", err)
	}
	if err := d.refused(&tandemv1.WatchEventsRequest{}); status.Code(err) != codes.Unavailable {
		t.Errorf("a new watch: %v", err)
	}
}

// A mark tells a revision from another of the same number.
func TestAMarkOfAnotherHistoryIsRefused(t *testing.T) {
	d := newDaemon(t)
	d.create("a")
	s := d.watch(t.Context(), &tandemv1.WatchEventsRequest{})
	_, _, revision := state(t, s)
	d.create("b")
	m := recv(t, s)
	if m.GetRevision() != revision+1 || m.GetMark() == 0 {
		t.Fatalf("%v", m)
	}
	d.create("c")
	if next := recv(t, d.watch(t.Context(), &tandemv1.WatchEventsRequest{Revision: m.GetRevision(), Mark: m.GetMark()})); next.GetRevision() != revision+2 {
		t.Errorf("resumed with its mark: %v", next)
	}
	err := d.refused(&tandemv1.WatchEventsRequest{Revision: m.GetRevision(), Mark: m.GetMark() + 1})
	if got := reason(err); got != "OutOfRange HISTORY_CHANGED" {
		t.Errorf("with another: %s %v", got, err)
	}
	d.reopen()
	if next := recv(t, d.watch(t.Context(), &tandemv1.WatchEventsRequest{Revision: m.GetRevision(), Mark: m.GetMark()})); next.GetRevision() != revision+2 {
		t.Errorf("after a restart: %v", next)
	}
}
