package main

import (
	"context"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
)

type eventStream = grpc.ServerStreamingServer[tandemv1.WatchEventsResponse]

// floorAt returns the present state in two parts, as a daemon sends it.
func floorAt(f *fake, revision uint64) []*tandemv1.WatchEventsResponse {
	part := func(revision uint64, s *tandemv1.Snapshot) *tandemv1.WatchEventsResponse {
		return &tandemv1.WatchEventsResponse{Revision: revision, Payload: &tandemv1.WatchEventsResponse_Snapshot{Snapshot: s}}
	}
	return []*tandemv1.WatchEventsResponse{
		part(0, &tandemv1.Snapshot{Devices: f.devices, Jobs: f.jobs[:2]}),
		part(revision, &tandemv1.Snapshot{Jobs: f.jobs[2:], Last: true}),
	}
}

func sendAll(stream eventStream, messages ...*tandemv1.WatchEventsResponse) error {
	for _, m := range messages {
		if err := stream.Send(m); err != nil {
			return err
		}
	}
	return nil
}

// background runs the program until the test ends it, and returns its exit code then.
func background(t *testing.T, s system) (end func() int) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	code := make(chan int, 1)
	go func() { code <- run(ctx, s) }()
	return func() int {
		cancel()
		select {
		case c := <-code:
			return c
		case <-time.After(20 * time.Second):
			t.Fatal("the program does not end")
			return 0
		}
	}
}

// TestWatchResumes: the daemon goes away in the middle and comes back: the watch goes on after the last revision.
func TestWatchResumes(t *testing.T) {
	for _, format := range []string{"text", "json"} {
		t.Run(format, func(t *testing.T) {
			f := newFake(t)
			f.watch = func(r *tandemv1.WatchEventsRequest, stream eventStream) error {
				switch r.GetRevision() {
				case 0:
					if err := sendAll(stream, append(floorAt(f, 1038), f.commits[1])...); err != nil {
						return err
					}
				case 1039:
					if err := sendAll(stream, f.commits[2]); err != nil {
						return err
					}
				}
				<-stream.Context().Done()
				return nil
			}
			args := []string{"watch"}
			if format == "json" {
				args = append(args, "--json")
			}
			s, out, errs := f.surroundings(args...)
			end := background(t, s)
			out.waitFor(t, "run.granted")
			f.stop()
			errs.waitFor(t, "the daemon is away")
			f.start()
			errs.waitFor(t, "going on after revision 1039, nothing is missing")
			out.waitFor(t, "device.changed")
			if code := end(); code != exitInterrupted {
				t.Errorf("exit %d, want %d", code, exitInterrupted)
			}
			if n := strings.Count(out.String(), "run.granted"); n != 1 {
				t.Errorf("revision 1039 is shown %d times", n)
			}
			golden(t, "watch-"+format, out.String())
			if format == "json" {
				checkJSON(t, out.String(), &tandemv1.WatchEventsResponse{})
			}
		})
	}
}

// TestWatchSaysSoWhenCompacted: never a silent gap.
func TestWatchSaysSoWhenCompacted(t *testing.T) {
	f := newFake(t)
	compacted := detailed(t, codes.OutOfRange, "gone", &errdetails.ErrorInfo{Reason: "REVISION_COMPACTED", Metadata: map[string]string{"oldest_revision": "900"}})
	f.watch = func(r *tandemv1.WatchEventsRequest, stream eventStream) error {
		if r.GetRevision() == 17 {
			return compacted
		}
		if err := sendAll(stream, append(floorAt(f, 1041), f.commits[3])...); err != nil {
			return err
		}
		<-stream.Context().Done()
		return nil
	}
	s, out, errs := f.surroundings("watch", "--revision", "17", "--quiet")
	end := background(t, s)
	out.waitFor(t, "some.newer.type")
	end()
	if want := "gap: the ledger no longer holds what came after revision 17: its oldest is 900; the present state follows"; !strings.Contains(errs.String(), want) {
		t.Errorf("no %q in %q", want, errs)
	}
	if !strings.Contains(out.String(), "now  job shop-window: processing") {
		t.Errorf("no present state in\n%s", out)
	}
	var asked []uint64
	for _, r := range sent[*tandemv1.WatchEventsRequest](f) {
		asked = append(asked, r.GetRevision())
	}
	if len(asked) != 2 || asked[0] != 17 || asked[1] != 0 {
		t.Errorf("asked after revisions %v, want 17, then 0", asked)
	}
}

func TestWatchFilters(t *testing.T) {
	f := newFake(t)
	f.watch = func(_ *tandemv1.WatchEventsRequest, stream eventStream) error {
		return detailed(t, codes.PermissionDenied, "enough")
	}
	if code, _, _ := f.tandem(t, "watch", "--job", "J104K", "--device", "D2B", "--revision", "9"); code != exitDenied {
		t.Errorf("exit %d, want %d", code, exitDenied)
	}
	want := &tandemv1.WatchEventsRequest{Revision: 9, Job: "shop-window", Device: "cutter-1"}
	if got := sent[*tandemv1.WatchEventsRequest](f); len(got) != 1 || !proto.Equal(got[0], want) {
		t.Errorf("asked %v, want %v", got, want)
	}
}

// TestLive: the floor is redrawn as it changes, says when it is not live, and the terminal is left as it was.
func TestLive(t *testing.T) {
	f := newFake(t)
	next := make(chan *tandemv1.WatchEventsResponse)
	f.watch = func(r *tandemv1.WatchEventsRequest, stream eventStream) error {
		if r.GetRevision() == 0 {
			if err := sendAll(stream, floorAt(f, 1038)...); err != nil {
				return err
			}
		}
		for {
			select {
			case m := <-next:
				if err := stream.Send(m); err != nil {
					return err
				}
			case <-stream.Context().Done():
				return nil
			}
		}
	}
	s, out, _ := f.surroundings("watch", "--live")
	s.outIsTerminal = true
	s.size = func() (int, int) { return 70, 18 }
	start := time.Now()
	s.now = func() time.Time { return noon.Add(17*time.Hour + time.Since(start)) }
	end := background(t, s)
	out.waitFor(t, "shop-window")
	out.waitFor(t, "NEEDS A PERSON")

	changed := proto.CloneOf(f.jobs[2])
	changed.State, changed.Hold = tandemv1.JobState_JOB_STATE_PROCESSING, false
	changed.Steps[0].State = tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED
	changed.Steps[0].StateReasons = []string{"x-outcome-unknown"}
	f.mu.Lock()
	f.jobs = append(f.jobs[:2:2], changed)
	f.mu.Unlock()
	next <- &tandemv1.WatchEventsResponse{Revision: 1043, Payload: &tandemv1.WatchEventsResponse_Commit{Commit: &tandemv1.Commit{Events: []*tandemv1.Event{{Job: "parked", Type: "x"}}}}}
	out.waitFor(t, "outcome unknown")

	f.stop()
	out.waitFor(t, "NOT LIVE: ")
	f.start()
	seen := len(out.String())
	eventually(t, func() bool {
		frames := strings.Split(out.String()[seen:], home)
		last := frames[len(frames)-1]
		return len(frames) > 2 && !strings.Contains(last, "NOT LIVE") && strings.Contains(last, "shop-window")
	}, func() string { return "it does not become live again:\n" + out.String()[seen:] })

	if code := end(); code != exitInterrupted {
		t.Errorf("exit %d", code)
	}
	text := out.String()
	if !strings.HasPrefix(text, enterScreen) || !strings.HasSuffix(text, leaveScreen) {
		t.Error("the terminal is not left as it was")
	}
	if strings.Contains(text, "old-job") {
		t.Error("a job that ended long ago is shown")
	}
	for _, frame := range strings.Split(text, home)[1:] {
		if n := strings.Count(frame, "\n"); n >= 18 {
			t.Errorf("a frame of %d lines scrolls a terminal of 18", n+1)
		}
	}
}
