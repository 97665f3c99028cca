package follow

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"testing/synctest"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	tandemv1 "tandem/proto/tandem/v1"
)

// script is an event service whose streams are written down: each has its messages and the error at its end. After the
// last one it blocks until the context ends.
type script struct {
	tandemv1.EventServiceClient
	streams []scripted
	asked   []uint64
	marks   []uint64
}

type scripted struct {
	messages []*tandemv1.WatchEventsResponse
	end      error
}

func (s *script) WatchEvents(ctx context.Context, r *tandemv1.WatchEventsRequest, _ ...grpc.CallOption) (grpc.ServerStreamingClient[tandemv1.WatchEventsResponse], error) {
	s.asked = append(s.asked, r.GetRevision())
	s.marks = append(s.marks, r.GetMark())
	if len(s.streams) == 0 {
		return &playing{ctx: ctx}, nil
	}
	next := s.streams[0]
	s.streams = s.streams[1:]
	return &playing{ctx: ctx, scripted: next}, nil
}

type playing struct {
	grpc.ServerStreamingClient[tandemv1.WatchEventsResponse]
	ctx context.Context
	scripted
}

func (p *playing) Recv() (*tandemv1.WatchEventsResponse, error) {
	if len(p.messages) > 0 {
		m := p.messages[0]
		p.messages = p.messages[1:]
		return m, nil
	}
	if p.end != nil {
		return nil, p.end
	}
	<-p.ctx.Done()
	return nil, status.FromContextError(p.ctx.Err()).Err()
}

// diary writes down what a watcher is told.
type diary struct {
	lines []string
	fail  error
}

func (d *diary) Restart()      { d.lines = append(d.lines, "restart") }
func (d *diary) Lost(error)    { d.lines = append(d.lines, "lost") }
func (d *diary) Back(r uint64) { d.lines = append(d.lines, fmt.Sprint("back ", r)) }
func (d *diary) Gap(g Gap) {
	d.lines = append(d.lines, strings.TrimSuffix(fmt.Sprint("gap ", g.Revision, " ", g.Oldest, " ", g.Restored), " false"))
}

func (d *diary) Message(m *tandemv1.WatchEventsResponse) error {
	switch {
	case m.GetCommit() != nil:
		d.lines = append(d.lines, fmt.Sprint("commit ", m.GetRevision()))
	case m.GetSnapshot() != nil:
		d.lines = append(d.lines, fmt.Sprint("state ", m.GetRevision()))
	default:
		d.lines = append(d.lines, fmt.Sprint("bookmark ", m.GetRevision()))
	}
	return d.fail
}

func commit(revision uint64) *tandemv1.WatchEventsResponse {
	return &tandemv1.WatchEventsResponse{Revision: revision, Mark: 1000 + revision, Payload: &tandemv1.WatchEventsResponse_Commit{Commit: &tandemv1.Commit{}}}
}

func state(revision uint64, last bool) *tandemv1.WatchEventsResponse {
	return &tandemv1.WatchEventsResponse{Revision: revision, Mark: 1000 + revision, Payload: &tandemv1.WatchEventsResponse_Snapshot{Snapshot: &tandemv1.Snapshot{Last: last}}}
}

func bookmark(revision uint64) *tandemv1.WatchEventsResponse {
	return &tandemv1.WatchEventsResponse{Revision: revision, Mark: 1000 + revision, Payload: &tandemv1.WatchEventsResponse_Bookmark{Bookmark: &tandemv1.Bookmark{}}}
}

type messages = []*tandemv1.WatchEventsResponse

var away = status.Error(codes.Unavailable, "away")

func compacted(t *testing.T, oldest string) error {
	t.Helper()
	return outOfRange(t, "REVISION_COMPACTED", map[string]string{"oldest_revision": oldest})
}

func outOfRange(t *testing.T, reason string, metadata map[string]string) error {
	t.Helper()
	s, err := status.New(codes.OutOfRange, "gone").WithDetails(&errdetails.ErrorInfo{Reason: reason, Domain: "tandem", Metadata: metadata})
	if err != nil {
		t.Fatal(err)
	}
	return s.Err()
}

func TestEvents(t *testing.T) {
	tests := []struct {
		name    string
		from    uint64
		streams []scripted
		asked   []uint64
		lines   []string
	}{
		{
			"resumes after the last revision", 0,
			[]scripted{{messages{state(5, false), state(5, true), commit(6)}, away}, {messages{commit(7)}, nil}},
			[]uint64{0, 6},
			[]string{"restart", "state 5", "state 5", "commit 6", "lost", "back 6", "commit 7"},
		},
		{
			"says lost once however often it tries", 4,
			[]scripted{{nil, away}, {nil, away}, {nil, away}, {messages{commit(5)}, nil}},
			[]uint64{4, 4, 4, 4},
			[]string{"lost", "back 4", "commit 5"},
		},
		{
			"half a state is not a state", 0,
			[]scripted{{messages{state(5, false)}, away}, {messages{state(6, false), state(6, true)}, nil}},
			[]uint64{0, 0},
			[]string{"restart", "state 5", "lost", "back 0", "restart", "state 6", "state 6"},
		},
		{
			"a bookmark moves the place to resume", 4,
			[]scripted{{messages{bookmark(9)}, io.EOF}, {messages{commit(10)}, nil}},
			[]uint64{4, 9},
			[]string{"bookmark 9", "lost", "back 9", "commit 10"},
		},
		{
			"compacted: says so and begins with the present state", 4,
			[]scripted{{nil, compacted(t, "90")}, {messages{state(99, true), commit(100)}, nil}},
			[]uint64{4, 0},
			[]string{"gap 4 90", "restart", "state 99", "commit 100"},
		},
		{
			"compacted while away", 4,
			[]scripted{{messages{commit(5)}, away}, {nil, compacted(t, "nonsense")}, {messages{state(99, true)}, nil}},
			[]uint64{4, 5, 0},
			[]string{"commit 5", "lost", "gap 5 0", "back 0", "restart", "state 99"},
		},
		{
			"restored from a backup of before", 4,
			[]scripted{{messages{commit(5)}, away}, {nil, outOfRange(t, "REVISION_AHEAD", map[string]string{"newest_revision": "3"})}, {messages{state(3, true), commit(4)}, nil}},
			[]uint64{4, 5, 0},
			[]string{"commit 5", "lost", "gap 5 0 true", "back 0", "restart", "state 3", "commit 4"},
		},
		{
			"restored, and as far as before", 4,
			[]scripted{{nil, outOfRange(t, "HISTORY_CHANGED", nil)}, {messages{state(9, true)}, nil}},
			[]uint64{4, 0},
			[]string{"gap 4 0 true", "restart", "state 9"},
		},
		{
			"back although nothing happens", 4,
			[]scripted{{nil, away}, {nil, nil}},
			[]uint64{4, 4},
			[]string{"lost", "back 4"},
		},
		{
			"stalled and ended by the daemon", 4,
			[]scripted{{messages{commit(5)}, status.Error(codes.ResourceExhausted, "stalled")}, {messages{commit(6)}, nil}},
			[]uint64{4, 5},
			[]string{"commit 5", "lost", "back 5", "commit 6"},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithCancel(t.Context())
				client, d := &script{streams: tt.streams}, &diary{}
				done := make(chan error)
				go func() { done <- Events(ctx, client, Request{Revision: tt.from}, d) }()
				for range 20 { // longer than all pauses together
					_ = wait(ctx, longestPause)
				}
				synctest.Wait()
				cancel()
				if err := <-done; !errors.Is(err, context.Canceled) {
					t.Errorf("error = %v, want the context's", err)
				}
				if !slices.Equal(client.asked, tt.asked) {
					t.Errorf("asked after revisions %v, want %v", client.asked, tt.asked)
				}
				for i, r := range client.asked {
					if want := 1000 + r; client.marks[i] != want && r > 0 && r != tt.from {
						t.Errorf("asked after revision %d with mark %d, want what came with it, %d", r, client.marks[i], want)
					}
				}
				if !slices.Equal(d.lines, tt.lines) {
					t.Errorf("watcher was told\n%q, want\n%q", d.lines, tt.lines)
				}
			})
		})
	}
}

func TestEventsEndsWhereGoingOnMakesNoSense(t *testing.T) {
	refused := status.Error(codes.PermissionDenied, "no")
	full := errors.New("disk full")
	tests := []struct {
		name   string
		stream scripted
		fail   error
		want   func(error) bool
	}{
		{"denied", scripted{nil, refused}, nil, func(err error) bool { return errors.Is(err, refused) }},
		{"the watcher's own error", scripted{messages{commit(5)}, nil}, full, func(err error) bool { return errors.Is(err, full) }},
		{"a revision that goes back", scripted{messages{commit(5), commit(5)}, nil}, nil, func(err error) bool { return err != nil }},
		{"compacted although the present state was asked for", scripted{nil, compacted(t, "3")}, nil, func(err error) bool {
			return status.Code(err) == codes.OutOfRange
		}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			err := Events(t.Context(), &script{streams: []scripted{tt.stream}}, Request{}, &diary{fail: tt.fail})
			if !tt.want(err) {
				t.Errorf("error = %v", err)
			}
		})
	}
}
