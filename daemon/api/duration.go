package api

import (
	"context"

	"google.golang.org/protobuf/types/known/durationpb"

	"tandem/daemon/engine"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// ListDurations implements DurationService.
func (s *Server) ListDurations(ctx context.Context, req *tandemv1.ListDurationsRequest) (*tandemv1.ListDurationsResponse, error) {
	var out *tandemv1.ListDurationsResponse
	var missing error
	err := s.engine.View(ctx, func(st engine.State) {
		device := ""
		if req.GetDevice() != "" {
			d, ok := st.Floor.Device(req.GetDevice())
			if !ok {
				missing = floor.Missing("device", req.GetDevice())
				return
			}
			device = d.ID
		}
		out = durations(st, device)
	})
	if err == nil {
		err = missing
	}
	return out, err
}

// durations lists what was learned of a device; of all if it is empty.
func durations(st engine.State, device string) *tandemv1.ListDurationsResponse {
	out := &tandemv1.ListDurationsResponse{Revision: st.Head.Revision}
	for _, r := range st.Floor.Durations().Rows() {
		if device != "" && r.Key.Device != device {
			continue
		}
		out.Durations = append(out.Durations, &tandemv1.LearnedDuration{
			Device: r.Key.Device, Operation: r.Key.Operation, Mode: r.Key.Mode,
			Samples: int32(r.Basis.Runs), Rejected: int32(r.Basis.SetAside),
			FactorP50: r.Factor, FactorP90: r.P90, FactorLow: r.Low, FactorHigh: r.High,
			LastModel: durationpb.New(r.LastPredicted), LastActual: durationpb.New(r.LastActual),
		})
	}
	return out
}

// ResetDurations implements DurationService.
func (s *Server) ResetDurations(ctx context.Context, req *tandemv1.ResetDurationsRequest) (*tandemv1.ListDurationsResponse, error) {
	var out *tandemv1.ListDurationsResponse
	c := floor.ResetDurations{Device: req.GetDevice(), Operation: req.GetOperation(), Mode: req.GetMode()}
	err := s.do(ctx, req, c, func(st engine.State) {
		if d, ok := st.Floor.Device(req.GetDevice()); ok {
			out = durations(st, d.ID)
		}
	})
	return out, err
}
