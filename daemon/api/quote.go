package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"

	"google.golang.org/protobuf/proto"

	"tandem/daemon/engine"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
	"tandem/scheduler/ticket"
)

// QuoteJob implements JobService. A job given as steps is quoted as it stands.
func (s *Server) QuoteJob(ctx context.Context, req *tandemv1.QuoteJobRequest) (*tandemv1.Quote, error) {
	made, err := s.make(ctx, floor.Meta{}, req.GetJob(), req.GetCutFiles())
	if err != nil {
		return nil, err
	}
	if made.Job, err = s.quoted(ctx, made.Job); err != nil {
		return nil, err
	}
	var out *tandemv1.Quote
	err = s.engine.View(ctx, func(st engine.State) { out = ticket.Quote(st.Floor, made, st.Now) })
	return out, err
}

// quoted is wouldCreate for a job that may be on the floor, or have been: what it takes is asked again for the layout, or before it is
// ordered once more.
func (s *Server) quoted(ctx context.Context, job *tandemv1.Job) (*tandemv1.Job, error) {
	out, err := s.wouldCreate(ctx, floor.Meta{}, job)
	if refused, ok := errors.AsType[*floor.Error](err); !ok || refused.Kind != floor.Exists {
		return out, err
	}
	hash := sha256.Sum256([]byte(job.GetId()))
	other := proto.CloneOf(job)
	other.Id = "quote-" + hex.EncodeToString(hash[:16]) // a free id: nobody has made one up
	if out, err = s.wouldCreate(ctx, floor.Meta{}, other); err == nil {
		out.Id = job.GetId()
	}
	return out, err
}

// make works out panels and steps of a job handed in as items, outside the engine's loop; a job that has them, or whose
// request was answered before, is left as it is. The floor file may change before the job is taken in; the floor then judges
// it as it would any other.
func (s *Server) make(ctx context.Context, m floor.Meta, job *tandemv1.Job, files []*tandemv1.CutFile) (*ticket.Made, error) {
	switch {
	case len(job.GetItems()) > 0:
	case len(files) > 0:
		return nil, badField("cut_files", "belong to a job's items: leave them out for a job handed in as steps")
	default:
		return &ticket.Made{Job: job}, nil
	}
	var file *tandemv1.FloorFile
	var before floor.Decision
	var refused error
	err := s.engine.View(ctx, func(st engine.State) {
		if before, refused = st.Floor.Replayed(m); refused == nil && !before.Replayed {
			file = st.Floor.File()
		}
	})
	if err == nil {
		err = refused
	}
	if err != nil || before.Replayed {
		return &ticket.Made{Job: job}, err
	}
	return ticket.Make(file, job, files)
}
