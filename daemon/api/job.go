package api

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"google.golang.org/grpc/codes"

	"tandem/daemon/engine"
	"tandem/daemon/history"
	"tandem/daemon/station"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
	"tandem/scheduler/floor"
)

// CreateJob implements JobService.
func (s *Server) CreateJob(ctx context.Context, req *tandemv1.CreateJobRequest) (*tandemv1.Job, error) {
	m, err := meta(req)
	if err != nil {
		return nil, err
	}
	if req.GetValidateOnly() {
		m.RequestID = ""
	}
	made, err := s.make(ctx, m, req.GetJob(), req.GetCutFiles())
	if err != nil {
		return nil, err
	}
	if req.GetValidateOnly() {
		job, err := s.wouldCreate(ctx, m, made.Job)
		if err != nil {
			return nil, err
		}
		return job, s.wouldDo(ctx, made.Job, job)
	}
	return s.changeJobAs(ctx, m, req.GetJob().GetId(), floor.CreateJob{Job: made.Job})
}

// wouldCreate answers what CreateJob would, and stores nothing.
func (s *Server) wouldCreate(ctx context.Context, m floor.Meta, in *tandemv1.Job) (*tandemv1.Job, error) {
	var job *tandemv1.Job
	var refused error
	err := s.engine.View(ctx, func(st engine.State) {
		d, err := st.Floor.Decide(st.Now, m, floor.CreateJob{Job: in})
		if err != nil {
			refused = err
			return
		}
		job = d.Events[0].GetJobCreated().GetJob()
		for _, step := range job.GetSteps() {
			if !slices.ContainsFunc(st.Floor.Devices, func(d *floor.Device) bool { ok, _ := d.Fits(step); return ok }) {
				step.StateReasons = []string{floor.ReasonNotSupported}
			}
		}
	})
	if err != nil {
		return nil, err
	}
	return job, refused
}

// GetJob implements JobService.
func (s *Server) GetJob(ctx context.Context, req *tandemv1.GetJobRequest) (*tandemv1.Job, error) {
	job, err := s.job(ctx, req.GetId())
	if missing, ok := errors.AsType[*floor.Error](err); ok && missing.Kind == floor.NotFound && s.opt.Reports != nil {
		return s.archived(ctx, req.GetId(), err)
	}
	s.foretold(job)
	return job, err
}

// archived looks for a job that is not on the floor in the history.
func (s *Server) archived(ctx context.Context, idOrCode string, missing error) (*tandemv1.Job, error) {
	if c, err := code.Parse(idOrCode); err == nil {
		idOrCode = c.String()
	}
	job, err := s.opt.Reports.Job(ctx, idOrCode)
	switch {
	case errors.Is(err, history.ErrNoJob):
		return nil, missing
	case errors.Is(err, history.ErrNotReady):
		return nil, withInfo(codes.Unavailable, "HISTORY_NOT_READY", "it is not on the floor, and "+err.Error()+"; ask again in a moment", nil)
	}
	return job, err
}

func (s *Server) job(ctx context.Context, id string) (*tandemv1.Job, error) {
	var out *tandemv1.Job
	err := s.engine.View(ctx, func(st engine.State) {
		if j, ok := st.Floor.Job(id); ok {
			out = j.View(st.Now)
		}
	})
	if err == nil && out == nil {
		err = floor.Missing("job", id)
	}
	return out, err
}

// ListJobs implements JobService. A page begins after the job number in its token, so that jobs taken in or ended between
// pages neither repeat nor hide others.
func (s *Server) ListJobs(ctx context.Context, req *tandemv1.ListJobsRequest) (*tandemv1.ListJobsResponse, error) {
	size := pageSize(req.GetPageSize(), 50)
	after, err := readToken(req.GetPageToken())
	if err != nil {
		return nil, err
	}
	out := &tandemv1.ListJobsResponse{}
	err = s.engine.View(ctx, func(st engine.State) {
		out.Revision = st.Head.Revision
		for _, j := range st.Floor.Jobs {
			if j.Number <= after {
				continue
			}
			if state, _ := j.State(st.Now); len(req.GetStates()) > 0 && !slices.Contains(req.GetStates(), state) {
				continue
			}
			if len(out.GetJobs()) == size {
				out.NextPageToken = makeToken(after)
				return
			}
			out.Jobs = append(out.Jobs, j.View(st.Now))
			after = j.Number
		}
	})
	s.foretold(out.GetJobs()...)
	return out, err
}

func pageSize(asked int32, standard int) int {
	const most = 1000
	if asked <= 0 {
		return standard
	}
	return min(int(asked), most)
}

func makeToken(n uint64) string {
	return base64.RawURLEncoding.EncodeToString([]byte("v1:" + strconv.FormatUint(n, 36)))
}

func readToken(token string) (uint64, error) {
	if token == "" {
		return 0, nil
	}
	data, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil || len(data) < 4 || string(data[:3]) != "v1:" {
		return 0, badField("page_token", "is not one that an earlier reply gave")
	}
	n, err := strconv.ParseUint(string(data[3:]), 36, 64)
	if err != nil {
		return 0, badField("page_token", "is not one that an earlier reply gave")
	}
	return n, nil
}

// HoldJob implements JobService.
func (s *Server) HoldJob(ctx context.Context, req *tandemv1.HoldJobRequest) (*tandemv1.Job, error) {
	if err := plain("note", req.GetNote(), 2000); err != nil {
		return nil, err
	}
	return s.changeJob(ctx, req, req.GetId(), floor.HoldJob{Job: req.GetId(), Note: req.GetNote()})
}

// ReleaseJob implements JobService.
func (s *Server) ReleaseJob(ctx context.Context, req *tandemv1.ReleaseJobRequest) (*tandemv1.Job, error) {
	return s.changeJob(ctx, req, req.GetId(), floor.ReleaseJob{Job: req.GetId()})
}

// CancelJob implements JobService.
func (s *Server) CancelJob(ctx context.Context, req *tandemv1.CancelJobRequest) (*tandemv1.Job, error) {
	if err := plain("note", req.GetNote(), 2000); err != nil {
		return nil, err
	}
	return s.changeJob(ctx, req, req.GetId(), floor.CancelJob{Job: req.GetId(), Note: req.GetNote()})
}

// RemakePieces implements JobService.
func (s *Server) RemakePieces(ctx context.Context, req *tandemv1.RemakePiecesRequest) (*tandemv1.Job, error) {
	if err := plain("note", req.GetNote(), 2000); err != nil {
		return nil, err
	}
	return s.changeJob(ctx, req, req.GetId(), floor.RemakePieces{
		Job: req.GetId(), Step: req.GetStep(), Panel: req.GetPanel(), Pieces: req.GetPieces(),
		AlreadySpoiled: req.GetAlreadySpoiled(), Note: req.GetNote(),
	})
}

// OverrideWait implements JobService.
func (s *Server) OverrideWait(ctx context.Context, req *tandemv1.OverrideWaitRequest) (*tandemv1.Job, error) {
	if err := plain("note", req.GetNote(), 2000); err != nil {
		return nil, err
	}
	return s.changeJob(ctx, req, req.GetId(), floor.OverrideWait{Job: req.GetId(), Step: req.GetStep(), Note: req.GetNote()})
}

func (s *Server) changeJob(ctx context.Context, req change, id string, c floor.Command) (*tandemv1.Job, error) {
	m, err := meta(req)
	if err != nil {
		return nil, err
	}
	return s.changeJobAs(ctx, m, id, c)
}

// changeJobAs is changeJob for a request whose meta is known.
func (s *Server) changeJobAs(ctx context.Context, m floor.Meta, id string, c floor.Command) (*tandemv1.Job, error) {
	var out *tandemv1.Job
	_, err := s.engine.DoThen(ctx, m, c, func(st engine.State) {
		if j, ok := st.Floor.Job(id); ok {
			out = j.View(st.Now)
		}
	})
	return out, err
}

// ExplainStep implements JobService.
func (s *Server) ExplainStep(ctx context.Context, req *tandemv1.ExplainStepRequest) (*tandemv1.ExplainStepResponse, error) {
	var out *tandemv1.ExplainStepResponse
	var job string
	var shop *time.Location
	missing := floor.Missing("job", req.GetId())
	err := s.engine.View(ctx, func(st engine.State) {
		j, ok := st.Floor.Job(req.GetId())
		if !ok {
			return
		}
		step := openStep(j)
		if req.GetStep() != "" {
			if step, ok = j.Step(req.GetStep()); !ok {
				missing = floor.Missing("step", req.GetStep())
				return
			}
		}
		out = step.Explain(st.Now, st.Floor.Devices)
		job, shop = j.ID, station.ShopTime(st.Floor, st.Now).Location()
	})
	switch {
	case err != nil:
		return nil, err
	case out == nil:
		return nil, missing
	}
	out.Summary += s.planned(job, out.GetStep().GetId(), shop)
	return out, nil
}

// planned says where and when by the shop's clock a step is planned, if it is and has not been given to a device.
func (s *Server) planned(job, step string, shop *time.Location) string {
	if s.opt.Plan == nil {
		return ""
	}
	plan, err := s.opt.Plan()
	if err != nil {
		return "" // whoever asks for the plan is told
	}
	for _, r := range plan.GetRuns() {
		if r.GetJob() == job && r.GetStep() == step && !r.GetFixed() {
			return fmt.Sprintf("; planned on %s at %s", r.GetDevice(), r.GetStartTime().AsTime().In(shop).Format("Mon 2006-01-02 15:04 MST"))
		}
	}
	return ""
}

// openStep returns the step a person asks about who names none: one that stands still, else one under way, else the first
// that has not ended, else the last.
func openStep(j *floor.Job) *floor.Step {
	var open, live *floor.Step
	for _, s := range j.Steps {
		switch {
		case !s.Open():
			continue
		case s.Blocked != "" || (s.Live != nil && s.Live.State == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED):
			return s
		case s.Live != nil && live == nil:
			live = s
		case open == nil:
			open = s
		}
	}
	switch {
	case live != nil:
		return live
	case open != nil:
		return open
	}
	return j.Steps[len(j.Steps)-1]
}
