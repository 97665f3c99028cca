package api

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/engine"
	"tandem/daemon/station"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

const (
	mostPayload = 512
	mostScanID  = 100
)

// RecordScan implements ScanService.
func (s *Server) RecordScan(ctx context.Context, req *tandemv1.RecordScanRequest) (*tandemv1.RecordScanResponse, error) {
	if err := checkScan(req); err != nil {
		return nil, err
	}
	print, err := fingerprint(req)
	if err != nil {
		return nil, err
	}
	key := "scan/" + req.GetStation() + "/" + req.GetScanId()
	leave, err := s.scans.enter(ctx, key)
	if err != nil {
		return nil, err
	}
	defer leave()
	if known, ok, err := s.scans.get(key, print); ok || err != nil {
		return known, err
	}
	answer, done, err := s.decideScan(ctx, req, key, print)
	if err != nil {
		return nil, err
	}
	if done == nil {
		if done, err = s.actOnScan(ctx, req, answer, key, print); err != nil {
			return nil, err
		}
	}
	s.scans.put(key, print, done)
	return done, nil
}

// decideScan asks the desk, unless the ledger holds the answer to this very scan already.
func (s *Server) decideScan(ctx context.Context, req *tandemv1.RecordScanRequest, key string, print []byte) (a station.Answer, done *tandemv1.RecordScanResponse, err error) {
	arrived := time.Now()
	at := arrived
	if t := req.GetScanTime(); t != nil && t.AsTime().Before(at) {
		at = t.AsTime()
	}
	var reused error
	err = s.engine.View(ctx, func(st engine.State) {
		if done, reused = keptAnswer(st, key, print); done != nil || reused != nil {
			return
		}
		a = s.desk.Decide(st.Floor, st.Now, station.Scan{Station: req.GetStation(), Payload: req.GetPayload(), Device: req.GetDevice(), At: at, Age: arrived.Sub(at)})
		if a.Command == nil {
			done = &tandemv1.RecordScanResponse{Outcome: a.Outcome, Message: a.Message, Subject: a.Subject, Revision: st.Head.Revision}
			if !a.Until.IsZero() {
				until := a.Until
				if t := req.GetScanTime(); t != nil {
					until = until.Add(t.AsTime().Sub(at)) // a station whose clock is fast counts by it
				}
				done.EntryUntilTime = timestamppb.New(until)
			}
		}
	})
	if err == nil {
		err = reused
	}
	return a, done, err
}

// keptAnswer returns the answer that the ledger holds for this very scan, nil if it holds none, or an error if it holds one
// for another.
func keptAnswer(st engine.State, key string, print []byte) (*tandemv1.RecordScanResponse, error) {
	d, err := st.Floor.Replayed(floor.Meta{RequestID: key, Fingerprint: print})
	if err != nil || !d.Replayed {
		return nil, err
	}
	done := &tandemv1.RecordScanResponse{}
	if err := proto.Unmarshal(d.Answer, done); err != nil {
		return nil, fmt.Errorf("read the kept answer of %q: %w", key, err)
	}
	done.Revision = d.Revision
	return done, nil
}

// actOnScan carries out what the scan means. If the floor has moved on meanwhile, its refusal is the answer.
func (s *Server) actOnScan(ctx context.Context, req *tandemv1.RecordScanRequest, a station.Answer, key string, print []byte) (*tandemv1.RecordScanResponse, error) {
	out := &tandemv1.RecordScanResponse{Outcome: a.Outcome, Message: a.Message, Subject: a.Subject}
	kept, err := proto.Marshal(out)
	if err != nil {
		return nil, err
	}
	r, err := s.engine.DoThen(ctx, floor.Meta{Actor: a.Actor, RequestID: key, Fingerprint: print}, floor.Answered{Command: a.Command, Answer: kept}, func(st engine.State) {
		s.desk.Done(req.GetStation(), a, st.Floor)
	})
	var refused *floor.Error
	switch {
	case errors.As(err, &refused) && refused.Kind == floor.Exists:
		return nil, err
	case errors.As(err, &refused):
		out.Message = refused.Error()
		if len(refused.Violations) == 1 { // whoever scans has given no field
			out.Message = refused.Violations[0].Problem
		}
		if out.GetOutcome() == tandemv1.RecordScanResponse_OUTCOME_UNDONE {
			out.Outcome = tandemv1.RecordScanResponse_OUTCOME_NOT_UNDONE
		} else {
			out.Outcome = tandemv1.RecordScanResponse_OUTCOME_NOT_READY
		}
		err := s.engine.View(ctx, func(st engine.State) {
			s.desk.Refused(req.GetStation(), a)
			out.Revision = st.Head.Revision
		})
		return out, err
	case err != nil:
		return nil, err
	}
	out.Revision = r.Revision
	return out, nil
}

func checkScan(req *tandemv1.RecordScanRequest) error {
	if !tandemv1.ValidID(req.GetStation()) {
		return badField("station", "is not an id: %s", tandemv1.IDRule)
	}
	if req.GetDevice() != "" && !tandemv1.ValidID(req.GetDevice()) {
		return badField("device", "is not an id: %s", tandemv1.IDRule)
	}
	if req.GetScanId() == "" {
		return badField("scan_id", "is missing: give each pull of the trigger its own, and repeat it with a retry")
	}
	if err := plain("scan_id", req.GetScanId(), mostScanID); err != nil {
		return err
	}
	if n := len(req.GetPayload()); n == 0 || n > mostPayload {
		return badField("payload", "has %d bytes: a scan has 1 to %d", n, mostPayload)
	}
	if t := req.GetScanTime(); t != nil && t.CheckValid() != nil {
		return badField("scan_time", "is not a time")
	}
	return nil
}

// recentScans remembers answers that changed nothing, so that a station which retries hears the same again. Those that did
// are in the ledger.
type recentScans struct {
	mu    sync.Mutex
	known map[string]knownScan
	order []string
	busy  map[string]chan struct{} // scans being decided; closed when they are
}

type knownScan struct {
	print  string
	answer *tandemv1.RecordScanResponse
}

// mostScans bounds what is remembered.
const mostScans = 4096

func newRecentScans() *recentScans {
	return &recentScans{known: map[string]knownScan{}, busy: map[string]chan struct{}{}}
}

// enter waits until nobody else decides the same scan: a station that retries while the first copy is on its way must not
// meet the desk as it is half-way through. The caller leaves when its answer is known.
func (r *recentScans) enter(ctx context.Context, key string) (leave func(), err error) {
	for {
		r.mu.Lock()
		other, taken := r.busy[key]
		if !taken {
			mine := make(chan struct{})
			r.busy[key] = mine
			r.mu.Unlock()
			return func() {
				r.mu.Lock()
				defer r.mu.Unlock()
				delete(r.busy, key)
				close(mine)
			}, nil
		}
		r.mu.Unlock()
		select {
		case <-other:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

func (r *recentScans) get(key string, print []byte) (*tandemv1.RecordScanResponse, bool, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	k, ok := r.known[key]
	if ok && k.print != string(print) {
		return nil, false, &floor.Error{
			Kind: floor.Exists, Reason: "REQUEST_ID_REUSED",
			Message: fmt.Sprintf("%q was used for a different scan; give each scan its own scan_id", key),
		}
	}
	return k.answer, ok, nil
}

func (r *recentScans) put(key string, print []byte, answer *tandemv1.RecordScanResponse) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if _, ok := r.known[key]; !ok {
		r.order = append(r.order, key)
	}
	r.known[key] = knownScan{string(print), answer}
	if len(r.order) > mostScans {
		delete(r.known, r.order[0])
		r.order = r.order[1:]
	}
}
