package api

import (
	"context"

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
	if made.Job, err = s.wouldCreate(ctx, floor.Meta{}, made.Job); err != nil {
		return nil, err
	}
	var out *tandemv1.Quote
	err = s.engine.View(ctx, func(st engine.State) { out = ticket.Quote(st.Floor, made, st.Now) })
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
