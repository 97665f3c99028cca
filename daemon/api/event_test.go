package api_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	tandemv1 "tandem/proto/tandem/v1"
)

type stream = grpc.ServerStreamingClient[tandemv1.WatchEventsResponse]

func (d *daemon) watch(ctx context.Context, req *tandemv1.WatchEventsRequest) stream {
	d.tb.Helper()
	s, err := d.events.WatchEvents(ctx, req)
	if err != nil {
		d.tb.Fatal(err)
	}
	return s
}

// refused returns the error that a watch begins with.
func (d *daemon) refused(req *tandemv1.WatchEventsRequest) error {
	d.tb.Helper()
	_, err := d.watch(d.ctx(), req).Recv()
	return err
}

func recv(tb testing.TB, s stream) *tandemv1.WatchEventsResponse {
	tb.Helper()
	m, err := s.Recv()
	if err != nil {
		tb.Fatal(err)
	}
	return m
}

// state reads the present state to its end and returns its jobs and its revision.
func state(tb testing.TB, s stream) (jobs []*tandemv1.Job, devices []*tandemv1.Device, revision uint64) {
	tb.Helper()
	for {
		m := recv(tb, s)
		if m.GetSnapshot() == nil {
			tb.Fatalf("%v before the state was complete", m)
		}
		jobs, devices = append(jobs, m.GetSnapshot().GetJobs()...), append(devices, m.GetSnapshot().GetDevices()...)
		if m.GetSnapshot().GetLast() {
			return jobs, devices, m.GetRevision()
		}
		if m.GetRevision() != 0 {
			tb.Fatalf("a part that is not the last has revision %d: nobody can resume from there", m.GetRevision())
		}
	}
}

func TestWatchBeginsWithTheState(t *testing.T) {
	d := newDaemon(t)
	for i := range 45 {
		d.create(fmt.Sprintf("job-%d", i))
	}
	s := d.watch(t.Context(), &tandemv1.WatchEventsRequest{})
	jobs, devices, revision := state(t, s)
	if len(jobs) != 45 || jobs[44].GetId() != "job-44" || len(devices) != 4 || revision != d.revision() {
		t.Errorf("%d jobs, %d devices, revision %d of %d", len(jobs), len(devices), revision, d.revision())
	}
	d.create("late")
	m := recv(t, s)
	if e := m.GetCommit().GetEvents(); m.GetRevision() != revision+1 || len(e) != 1 || e[0].GetType() != "job.created" || e[0].GetJob() != "late" || e[0].GetActor() != "rip" || m.GetCommit().GetCommitTime() == nil {
		t.Errorf("after the state: %v", m)
	}
}

func TestWatchResumesWithoutGapOrRepeat(t *testing.T) {
	d := newDaemon(t)
	last := d.revision()
	for round := range 6 {
		ctx, cancel := context.WithCancel(t.Context())
		s := d.watch(ctx, &tandemv1.WatchEventsRequest{Revision: last})
		for i := range 5 {
			d.create(fmt.Sprintf("seen-%d-%d", round, i))
		}
		for range 4 { // the fifth is on its way when the connection is lost
			m := recv(t, s)
			if m.GetRevision() != last+1 {
				t.Fatalf("round %d: revision %d after %d", round, m.GetRevision(), last)
			}
			last++
		}
		cancel()
		d.create(fmt.Sprintf("away-%d", round))
		if round == 3 {
			d.reopen()
		}
	}
	s := d.watch(t.Context(), &tandemv1.WatchEventsRequest{Revision: last})
	for want := d.revision(); last < want; last++ {
		if m := recv(t, s); m.GetRevision() != last+1 {
			t.Fatalf("in the end: revision %d after %d", m.GetRevision(), last)
		}
	}
}

func TestWatchOfOneJobOrDevice(t *testing.T) {
	d := newDaemon(t)
	d.create("a")
	d.create("b")
	of := map[string]stream{
		"job b":            d.watch(t.Context(), &tandemv1.WatchEventsRequest{Job: "b"}),
		"device cutter-2":  d.watch(t.Context(), &tandemv1.WatchEventsRequest{Device: "cutter-2"}),
		"b on cutter-2":    d.watch(t.Context(), &tandemv1.WatchEventsRequest{Job: "b", Device: "cutter-2"}),
		"b from the start": d.watch(t.Context(), &tandemv1.WatchEventsRequest{Job: "b", Revision: 1}),
	}
	for name, want := range map[string][2]int{"job b": {1, 0}, "device cutter-2": {0, 1}, "b on cutter-2": {1, 1}} {
		if jobs, devices, _ := state(t, of[name]); len(jobs) != want[0] || len(devices) != want[1] {
			t.Errorf("%s: the state has %d jobs and %d devices, want %v", name, len(jobs), len(devices), want)
		}
	}
	if m := recv(t, of["b from the start"]); m.GetCommit().GetEvents()[0].GetType() != "job.created" {
		t.Errorf("job b from the start: %v", m)
	}
	d.greet("cutter-1") // takes a
	d.greet("cutter-2") // takes b
	if got, want := d.job("b").GetSteps()[0].GetRuns()[0].GetDevice(), "cutter-2"; got != want {
		t.Fatalf("b is with %s", got)
	}
	for name, want := range map[string]string{
		"job b":            "run.granted",
		"device cutter-2":  "device.greeted device.changed run.granted",
		"b on cutter-2":    "run.granted",
		"b from the start": "run.granted",
	} {
		var types []string
		for _, e := range recv(t, of[name]).GetCommit().GetEvents() {
			types = append(types, e.GetType())
			if e.GetMessage() == "" || (e.GetJob() != "b" && e.GetDevice() != "cutter-2") {
				t.Errorf("%s: %v", name, e)
			}
		}
		if got := strings.Join(types, " "); got != want {
			t.Errorf("%s: %s, want %s", name, got, want)
		}
	}
}

func TestWatchRefusesTheFuture(t *testing.T) {
	d := newDaemon(t)
	err := d.refused(&tandemv1.WatchEventsRequest{Revision: d.revision() + 1})
	if got := reason(err); got != "OutOfRange REVISION_AHEAD" || infoOf(err).GetMetadata()["newest_revision"] != fmt.Sprint(d.revision()) ||
		!strings.Contains(err.Error(), "begin again with 0") {
		t.Errorf("%s %v", got, err)
	}
}

func TestCompactedRevisionsAreNamed(t *testing.T) {
	d := newDaemon(t)
	for i := range 10 {
		d.create(fmt.Sprintf("job-%d", i))
	}
	d.reopen() // from a snapshot: what came before is in the ledger only
	d.store.compact(5)
	errs := map[string]error{"watch": d.refused(&tandemv1.WatchEventsRequest{Revision: 4})}
	_, errs["list"] = d.events.ListEvents(t.Context(), &tandemv1.ListEventsRequest{})
	for name, err := range errs {
		if got := reason(err); got != "OutOfRange REVISION_COMPACTED" || infoOf(err).GetMetadata()["oldest_revision"] != "6" {
			t.Errorf("%s: %s %v", name, got, err)
		}
	}
	if m := recv(t, d.watch(t.Context(), &tandemv1.WatchEventsRequest{Revision: 5})); m.GetRevision() != 6 {
		t.Errorf("after the last one that is gone: %v", m)
	}
	if jobs, _, revision := state(t, d.watch(t.Context(), &tandemv1.WatchEventsRequest{})); len(jobs) != 10 || revision != d.revision() {
		t.Errorf("from the state: %d jobs at %d", len(jobs), revision)
	}
}

// Nobody waits for a watcher that does not read; it is cut, and loses nothing when it resumes.
func TestAWatcherThatStallsIsCut(t *testing.T) {
	d := newDaemon(t)
	d.face.SetSendWithin(time.Millisecond)
	d.create("a")
	last := d.revision()
	s := d.watch(t.Context(), &tandemv1.WatchEventsRequest{Revision: last})
	note := strings.Repeat("n", 1990)
	for i := range 1000 { // 2 MB: more than a connection holds
		if _, err := d.jobs.HoldJob(t.Context(), &tandemv1.HoldJobRequest{Id: "a", Note: fmt.Sprintf("%s %d", note, i)}); err != nil {
			t.Fatal(err)
		}
	}
	var err error
	for err == nil {
		var m *tandemv1.WatchEventsResponse
		if m, err = s.Recv(); err == nil {
			if m.GetRevision() != last+1 {
				t.Fatalf("revision %d after %d", m.GetRevision(), last)
			}
			last++
		}
	}
	if got := reason(err); got != "ResourceExhausted WATCHER_STALLED" {
		t.Fatalf("the watch ended with %s (%v) at revision %d of %d", got, err, last, d.revision())
	}
	d.face.SetSendWithin(time.Minute)
	s = d.watch(t.Context(), &tandemv1.WatchEventsRequest{Revision: last})
	for want := d.revision(); last < want; last++ {
		if m := recv(t, s); m.GetRevision() != last+1 {
			t.Fatalf("resumed: revision %d after %d", m.GetRevision(), last)
		}
	}
}

func TestAQuietWatchGetsBookmarks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDaemon(t)
		for _, device := range []string{"cutter-1", "cutter-2", "laminator", "bench"} {
			d.greet(device)
		}
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		s := d.watch(ctx, &tandemv1.WatchEventsRequest{Job: "a"})
		_, _, revision := state(t, s)
		begin := time.Now()
		for i := range 3 {
			d.create(fmt.Sprint("other-", i)) // nothing for this watch, and no reason to be silent
			m := recv(t, s)
			if m.GetBookmark() == nil || m.GetRevision() <= revision {
				t.Errorf("bookmark %d: %v", i, m)
			}
			revision = m.GetRevision()
			if quiet, want := time.Since(begin), time.Duration(i+1)*30*time.Second; quiet < want || quiet > want+time.Second {
				t.Errorf("bookmark %d after %v, want %v", i, quiet, want)
			}
		}
		cancel()
		if _, err := s.Recv(); status.Code(err) != codes.Canceled {
			t.Errorf("canceled: %v", err)
		}
	})
}

func TestPagesOfEvents(t *testing.T) {
	d := newDaemon(t)
	for i := range 12 {
		d.create(fmt.Sprintf("job-%d", i%3*100+i))
	}
	page := func(req *tandemv1.ListEventsRequest) *tandemv1.ListEventsResponse {
		t.Helper()
		r, err := d.events.ListEvents(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	want, after := uint64(1), uint64(0)
	for {
		r := page(&tandemv1.ListEventsRequest{AfterRevision: after, PageSize: 5})
		for _, c := range r.GetCommits() {
			if c.GetRevision() != want || len(c.GetCommit().GetEvents()) == 0 {
				t.Fatalf("revision %d, want %d", c.GetRevision(), want)
			}
			want++
		}
		if after = r.GetNextAfterRevision(); after == 0 {
			break
		}
		if len(r.GetCommits()) != 5 {
			t.Fatalf("%d records on a page that is not the last", len(r.GetCommits()))
		}
	}
	if want != d.revision()+1 {
		t.Errorf("ended before revision %d of %d", want, d.revision())
	}
	if r := page(&tandemv1.ListEventsRequest{Job: "job-104"}); len(r.GetCommits()) != 1 || r.GetNextAfterRevision() != 0 {
		t.Errorf("of one job: %v", r)
	}
	if r := page(&tandemv1.ListEventsRequest{AfterRevision: 1 << 60}); len(r.GetCommits()) != 0 || r.GetNextAfterRevision() != 0 {
		t.Errorf("after the end: %v", r)
	}
	if r := page(&tandemv1.ListEventsRequest{PageSize: -3}); len(r.GetCommits()) != int(d.revision()) {
		t.Errorf("a negative page size means the standard one: %d records", len(r.GetCommits()))
	}
}

// The stream's own end is not an error that the client must guess at.
func TestAWatchEndsWithTheServer(t *testing.T) {
	d := newDaemon(t)
	s := d.watch(t.Context(), &tandemv1.WatchEventsRequest{})
	state(t, s)
	if err := d.stopEngine(); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Recv(); errors.Is(err, io.EOF) || reason(err) != "Unavailable ENGINE_STOPPED" {
		t.Errorf("%v", err)
	}
}

// An event's text has a note behind a colon, and no colon without one.
func TestEventsWithoutNotes(t *testing.T) {
	for _, note := range []string{"", "belt is loose"} {
		d := newDaemon(t)
		d.create("a")
		d.create("b")
		who := "mira"
		for _, ask := range []func() error{
			func() error {
				_, err := d.devices.PauseDevice(d.ctx(), &tandemv1.PauseDeviceRequest{Id: "cutter-1", Note: note, RequestId: "1", Actor: who})
				return err
			},
			func() error {
				_, err := d.jobs.HoldJob(d.ctx(), &tandemv1.HoldJobRequest{Id: "a", Note: note, RequestId: "2", Actor: who})
				return err
			},
			func() error {
				_, err := d.jobs.CancelJob(d.ctx(), &tandemv1.CancelJobRequest{Id: "b", Note: note, RequestId: "3", Actor: who})
				return err
			},
		} {
			if err := ask(); err != nil {
				t.Fatal(err)
			}
		}
		told := map[string]string{}
		for _, c := range d.list(&tandemv1.ListEventsRequest{}) {
			for _, e := range c.GetCommit().GetEvents() {
				told[e.GetType()] = e.GetMessage()
			}
		}
		behind := ""
		if note != "" {
			behind = ": " + note
		}
		for typ, want := range map[string]string{"device.paused": "paused", "job.held": "held", "job.canceled": "canceled"} {
			if told[typ] != want+behind {
				t.Errorf("%s with the note %q: %q, want %q", typ, note, told[typ], want+behind)
			}
		}
	}
}
