package api

import (
	"context"
	"errors"
	"math"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"tandem/daemon/engine"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// Forecasts says when jobs will be done. What it returns must not be changed.
type Forecasts interface {
	// Of returns the latest forecast of a job; nil if it has ended or nothing is known yet.
	Of(job string) *tandemv1.Forecast
	// List returns the latest forecasts of all open jobs in the order of intake, and the revision they were made at.
	List(ctx context.Context) ([]*tandemv1.JobForecast, uint64, error)
	// Watch calls fn with all of them, or that of one job, and then with what changes, until ctx ends or fn returns an error.
	Watch(ctx context.Context, job string, fn func(list []*tandemv1.JobForecast, revision uint64) error) error
	// With returns the forecast of a job that is not on the floor, with the jobs it would delay.
	With(ctx context.Context, job *tandemv1.Job) (*tandemv1.Forecast, error)
}

var errNoForecasts = withInfo(codes.Unimplemented, "NO_FORECASTS", "this daemon makes no forecasts", nil)

// ListForecasts implements ForecastService.
func (s *Server) ListForecasts(ctx context.Context, req *tandemv1.ListForecastsRequest) (*tandemv1.ListForecastsResponse, error) {
	if s.opt.Forecasts == nil {
		return nil, errNoForecasts
	}
	least := req.GetMinLateRisk()
	if math.IsNaN(least) || least < 0 || least > 1 {
		return nil, badField("min_late_risk", "is %v; it must be from 0 to 1, such as 0.1 for one of ten", least)
	}
	id, err := s.knownJob(ctx, req.GetJob())
	if err != nil {
		return nil, err
	}
	list, revision, err := s.opt.Forecasts.List(ctx)
	if err != nil {
		return nil, err
	}
	out := &tandemv1.ListForecastsResponse{Revision: revision}
	for _, j := range list {
		if (id == "" || j.GetJob() == id) && j.GetForecast().GetLateRisk() >= least {
			out.Forecasts = append(out.Forecasts, j)
		}
	}
	return out, nil
}

// WatchForecasts implements ForecastService.
func (s *Server) WatchForecasts(req *tandemv1.WatchForecastsRequest, stream grpc.ServerStreamingServer[tandemv1.ListForecastsResponse]) error {
	if s.opt.Forecasts == nil {
		return errNoForecasts
	}
	id, err := s.knownJob(stream.Context(), req.GetJob())
	if err != nil {
		return err
	}
	return s.watched(stream, func(ctx context.Context, send func(any) error) error {
		return s.opt.Forecasts.Watch(ctx, id, func(list []*tandemv1.JobForecast, revision uint64) error {
			return send(&tandemv1.ListForecastsResponse{Forecasts: list, Revision: revision})
		})
	})
}

// knownJob returns the id of a job given by its id or code, and "" for none.
func (s *Server) knownJob(ctx context.Context, idOrCode string) (id string, err error) {
	if idOrCode == "" {
		return "", nil
	}
	err = s.engine.View(ctx, func(st engine.State) {
		if j, ok := st.Floor.Job(idOrCode); ok {
			id = j.ID
		}
	})
	if err == nil && id == "" {
		err = floor.Missing("job", idOrCode)
	}
	return id, err
}

// foretold puts the latest forecast beside a job that has not ended.
func (s *Server) foretold(jobs ...*tandemv1.Job) {
	if s.opt.Forecasts == nil {
		return
	}
	for _, j := range jobs {
		if j != nil && j.GetEndTime() == nil {
			j.Forecast = s.opt.Forecasts.Of(j.GetId())
		}
	}
}

// wouldDo adds to a job that was only checked when it would be done and whom it would delay. Where nobody can say that now, the
// check stands without it.
func (s *Server) wouldDo(ctx context.Context, made, job *tandemv1.Job) error {
	if s.opt.Forecasts == nil {
		return nil
	}
	forecast, err := s.opt.Forecasts.With(ctx, made)
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case err != nil:
		if _, refused := errors.AsType[*floor.Error](err); !refused { // the floor has moved on since the check
			s.opt.Log.Info(err.Error())
		}
		return nil
	}
	job.Forecast = proto.CloneOf(forecast)
	return nil
}
