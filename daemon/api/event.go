package api

import (
	"context"
	"errors"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	"tandem/daemon/engine"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	bookmarkEvery = 30 * time.Second
	// sendWithin is how long a watcher may keep one message from being handed to its connection before it is cut.
	sendWithin = 20 * time.Second
	// jobsPerPart keeps a part of the present state far below the message limit.
	jobsPerPart = 20
)

// WatchEvents implements EventService.
func (s *Server) WatchEvents(req *tandemv1.WatchEventsRequest, stream grpc.ServerStreamingServer[tandemv1.WatchEventsResponse]) error {
	ctx, cancel := context.WithCancel(stream.Context())
	defer cancel()
	w := &watcher{ctx: ctx, cancel: cancel, within: s.sendWithin, messages: make(chan *tandemv1.WatchEventsResponse), sent: make(chan error, 1), lastSent: time.Now()}
	defer w.close()
	go w.deliver(stream)
	var concerned *about
	if err := s.engine.View(ctx, func(st engine.State) { concerned = newAbout(st, req.GetJob(), req.GetDevice()) }); err != nil {
		return err
	}
	after := req.GetRevision()
	if after == 0 {
		var err error
		if after, err = s.sendState(ctx, req, w.send); err != nil {
			return err
		}
	} else if err := s.knownRevision(ctx, after); err != nil {
		return err
	}
	err := s.engine.Watch(ctx, after, func(rec *ledgerv1.Record) error {
		if msg := concerned.commit(rec); msg != nil {
			return w.send(msg)
		}
		return nil
	}, w.idle)
	if w.stalled != nil {
		return w.stalled
	}
	return err
}

// watcher hands messages to the stream of one watch. It belongs to the goroutine of the request.
type watcher struct {
	ctx      context.Context
	cancel   context.CancelFunc
	within   time.Duration // how long one message may take
	messages chan *tandemv1.WatchEventsResponse
	sent     chan error
	lastSent time.Time
	bookmark *time.Timer
	stalled  error // once the stream has not taken what it was sent
}

// deliver is a goroutine of its own: Send of a stream that nobody reads returns only once the request has ended.
func (w *watcher) deliver(stream grpc.ServerStreamingServer[tandemv1.WatchEventsResponse]) {
	for m := range w.messages {
		w.sent <- stream.Send(m)
	}
}

func (w *watcher) close() {
	close(w.messages)
	if w.bookmark != nil {
		w.bookmark.Stop()
	}
}

// send sends, and cuts a watcher that does not take what it is sent.
func (w *watcher) send(m *tandemv1.WatchEventsResponse) error {
	if w.stalled != nil {
		return w.stalled
	}
	w.messages <- m // deliver waits for it: the one before has been sent
	limit := time.NewTimer(w.within)
	defer limit.Stop()
	select {
	case err := <-w.sent:
		w.lastSent = time.Now()
		return err
	case <-limit.C:
		w.stalled = withInfo(codes.ResourceExhausted, "WATCHER_STALLED", "this watcher did not take what it was sent; resume from the last revision you saw", nil)
		w.cancel()
	case <-w.ctx.Done():
		w.stalled = w.ctx.Err()
	}
	return w.stalled
}

// idle sends a bookmark if it is time for one, and returns a channel that is closed when the next one is.
func (w *watcher) idle(revision uint64) <-chan struct{} {
	if time.Since(w.lastSent) >= bookmarkEvery {
		// A stream that fails or stalls ends the watch through its context.
		_ = w.send(&tandemv1.WatchEventsResponse{Revision: revision, Payload: &tandemv1.WatchEventsResponse_Bookmark{Bookmark: &tandemv1.Bookmark{}}})
	}
	if w.bookmark != nil {
		w.bookmark.Stop()
	}
	early := make(chan struct{})
	w.bookmark = time.AfterFunc(bookmarkEvery-time.Since(w.lastSent), func() { close(early) })
	return early
}

func (s *Server) knownRevision(ctx context.Context, revision uint64) error {
	var last uint64
	if err := s.engine.View(ctx, func(st engine.State) { last = st.Head.Revision }); err != nil {
		return err
	}
	if revision > last {
		return badField("revision", "%d is newer than the ledger's last, %d: this is another ledger, or one restored from a backup; begin again with 0", revision, last)
	}
	return nil
}

// sendState sends the present state in parts and returns its revision.
func (s *Server) sendState(ctx context.Context, req *tandemv1.WatchEventsRequest, send func(*tandemv1.WatchEventsResponse) error) (uint64, error) {
	var jobs []*tandemv1.Job
	var devices []*tandemv1.Device
	var revision uint64
	err := s.engine.View(ctx, func(st engine.State) {
		revision = st.Head.Revision
		for _, j := range st.Floor.Jobs {
			if req.GetJob() == "" && req.GetDevice() == "" || req.GetJob() == j.ID {
				jobs = append(jobs, j.View(st.Now))
			}
		}
		for _, d := range st.Floor.Devices {
			if req.GetJob() == "" && req.GetDevice() == "" || req.GetDevice() == d.ID {
				devices = append(devices, s.deviceView(st, d))
			}
		}
	})
	if err != nil {
		return 0, err
	}
	for {
		part := &tandemv1.Snapshot{Devices: devices}
		n := min(jobsPerPart, len(jobs))
		part.Jobs, jobs, devices = jobs[:n], jobs[n:], nil
		part.Last = len(jobs) == 0
		m := &tandemv1.WatchEventsResponse{Payload: &tandemv1.WatchEventsResponse_Snapshot{Snapshot: part}}
		if part.GetLast() {
			m.Revision = revision // complete, and good to resume from, only now
		}
		if err := send(m); err != nil || part.GetLast() {
			return revision, err
		}
	}
}

// errEnough ends a page.
var errEnough = errors.New("enough")

// ListEvents implements EventService.
func (s *Server) ListEvents(ctx context.Context, req *tandemv1.ListEventsRequest) (*tandemv1.ListEventsResponse, error) {
	size := pageSize(req.GetPageSize(), 100)
	var last uint64
	var concerned *about
	err := s.engine.View(ctx, func(st engine.State) {
		last, concerned = st.Head.Revision, newAbout(st, req.GetJob(), req.GetDevice())
	})
	if err != nil {
		return nil, err
	}
	out := &tandemv1.ListEventsResponse{}
	if req.GetAfterRevision() >= last {
		return out, nil
	}
	err = s.engine.Watch(ctx, req.GetAfterRevision(), func(rec *ledgerv1.Record) error {
		if msg := concerned.commit(rec); msg != nil {
			out.Commits = append(out.Commits, msg)
		}
		if rec.GetRevision() >= last {
			return errEnough
		}
		if len(out.GetCommits()) >= size {
			out.NextAfterRevision = rec.GetRevision()
			return errEnough
		}
		return nil
	}, nil)
	if errors.Is(err, errEnough) {
		err = nil
	}
	return out, err
}
