package api

import (
	"context"
	"errors"

	"google.golang.org/grpc"

	"tandem/daemon/engine"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// jobsPerPart keeps a part of the present state far below the message limit.
const jobsPerPart = 20

// WatchEvents implements EventService.
func (s *Server) WatchEvents(req *tandemv1.WatchEventsRequest, stream grpc.ServerStreamingServer[tandemv1.WatchEventsResponse]) error {
	return s.watched(stream, func(ctx context.Context, send func(any) error) error {
		w := &watcher{server: s, send: send, after: req.GetRevision(), mark: req.GetMark()}
		var newest uint64
		err := s.engine.View(ctx, func(st engine.State) {
			newest, w.about = st.Head.Revision, newAbout(st, req.GetJob(), req.GetDevice())
		})
		if err != nil {
			return err
		}
		if err := s.resumable(ctx, w.after, w.mark, newest); err != nil {
			return err
		}
		if w.after == 0 {
			if w.after, w.mark, err = s.sendState(ctx, req, send); err != nil {
				return err
			}
		}
		w.sub = s.hub.join(w.about, newest)
		defer s.hub.leave(w.sub)
		return w.run(ctx)
	})
}

// sendState sends the present state in parts and returns its revision and mark.
func (s *Server) sendState(ctx context.Context, req *tandemv1.WatchEventsRequest, send func(any) error) (revision, mark uint64, err error) {
	var jobs []*tandemv1.Job
	var devices []*tandemv1.Device
	err = s.engine.View(ctx, func(st engine.State) {
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
	if err == nil {
		mark, err = s.markAt(ctx, revision)
	}
	if err != nil {
		return 0, 0, err
	}
	for {
		part := &tandemv1.Snapshot{Devices: devices}
		n := min(jobsPerPart, len(jobs))
		part.Jobs, jobs, devices = jobs[:n], jobs[n:], nil
		part.Last = len(jobs) == 0
		m := &tandemv1.WatchEventsResponse{Payload: &tandemv1.WatchEventsResponse_Snapshot{Snapshot: part}}
		if part.GetLast() {
			m.Revision, m.Mark = revision, mark // complete, and good to resume from, only now
		}
		if err := send(m); err != nil || part.GetLast() {
			return revision, mark, err
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
		concerned.follow(rec)
		if msg := share(rec).message(concerned); msg != nil {
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
