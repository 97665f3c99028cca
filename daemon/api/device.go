package api

import (
	"context"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/engine"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// GetDevice implements DeviceService.
func (s *Server) GetDevice(ctx context.Context, req *tandemv1.GetDeviceRequest) (*tandemv1.Device, error) {
	return s.device(ctx, req.GetId())
}

func (s *Server) device(ctx context.Context, id string) (*tandemv1.Device, error) {
	var out *tandemv1.Device
	err := s.engine.View(ctx, func(st engine.State) {
		if d, ok := st.Floor.Device(id); ok {
			out = s.deviceView(st, d)
		}
	})
	if err == nil && out == nil {
		err = floor.Missing("device", id)
	}
	return out, err
}

// deviceView adds to the ledger's facts what the driver says right now.
func (s *Server) deviceView(st engine.State, d *floor.Device) *tandemv1.Device {
	out := d.View(st.Now)
	live, ago := st.Live(d.ID)
	if live == nil {
		return out
	}
	out.LastSeenTime = timestamppb.New(st.Now.Add(-time.Duration(float64(ago) * s.scale())))
	out.Supplies, out.Watched = live.GetSupplies(), live.GetWatched()
	for _, r := range out.GetRuns() {
		for _, rs := range live.GetRuns() {
			if rs.GetRun() == r.GetRun() {
				r.PiecesGood = max(r.GetPiecesGood(), rs.GetPiecesGood())
				r.PiecesSpoiled = max(r.GetPiecesSpoiled(), rs.GetPiecesSpoiled())
				r.Fraction = min(max(rs.GetFraction(), 0), 1)
			}
		}
	}
	return out
}

func (s *Server) scale() float64 {
	if s.opt.TimeScale > 0 {
		return s.opt.TimeScale
	}
	return 1
}

// ListDevices implements DeviceService.
func (s *Server) ListDevices(ctx context.Context, req *tandemv1.ListDevicesRequest) (*tandemv1.ListDevicesResponse, error) {
	size := pageSize(req.GetPageSize(), 1000)
	skip, err := readToken(req.GetPageToken())
	if err != nil {
		return nil, err
	}
	out := &tandemv1.ListDevicesResponse{}
	err = s.engine.View(ctx, func(st engine.State) {
		out.Revision = st.Head.Revision
		for i, d := range st.Floor.Devices {
			if uint64(i) < skip {
				continue
			}
			if len(out.GetDevices()) == size {
				out.NextPageToken = makeToken(uint64(i))
				return
			}
			out.Devices = append(out.Devices, s.deviceView(st, d))
		}
	})
	return out, err
}

// PauseDevice implements DeviceService.
func (s *Server) PauseDevice(ctx context.Context, req *tandemv1.PauseDeviceRequest) (*tandemv1.Device, error) {
	if err := plain("note", req.GetNote(), 2000); err != nil {
		return nil, err
	}
	back, err := timeOf("back_time", req.GetBackTime())
	if err != nil {
		return nil, err
	}
	return s.changeDevice(ctx, req, req.GetId(), floor.PauseDevice{Device: req.GetId(), Note: req.GetNote(), Back: back})
}

// ResumeDevice implements DeviceService.
func (s *Server) ResumeDevice(ctx context.Context, req *tandemv1.ResumeDeviceRequest) (*tandemv1.Device, error) {
	return s.changeDevice(ctx, req, req.GetId(), floor.ResumeDevice{Device: req.GetId()})
}

// LockDevice implements DeviceService.
func (s *Server) LockDevice(ctx context.Context, req *tandemv1.LockDeviceRequest) (*tandemv1.Device, error) {
	if err := plain("note", req.GetNote(), 2000); err != nil {
		return nil, err
	}
	back, err := timeOf("back_time", req.GetBackTime())
	if err != nil {
		return nil, err
	}
	return s.changeDevice(ctx, req, req.GetId(), floor.LockDevice{Device: req.GetId(), Note: req.GetNote(), Back: back})
}

// UnlockDevice implements DeviceService.
func (s *Server) UnlockDevice(ctx context.Context, req *tandemv1.UnlockDeviceRequest) (*tandemv1.Device, error) {
	return s.changeDevice(ctx, req, req.GetId(), floor.UnlockDevice{Device: req.GetId()})
}

// LoadMedia implements DeviceService.
func (s *Server) LoadMedia(ctx context.Context, req *tandemv1.LoadMediaRequest) (*tandemv1.Device, error) {
	if err := plain("media", req.GetMedia(), 63); err != nil {
		return nil, err
	}
	if err := plain("lot", req.GetLot(), 63); err != nil {
		return nil, err
	}
	return s.changeDevice(ctx, req, req.GetId(), floor.LoadMedia{Device: req.GetId(), Media: req.GetMedia(), Lot: req.GetLot()})
}

// ReplaceBlade implements DeviceService.
func (s *Server) ReplaceBlade(ctx context.Context, req *tandemv1.ReplaceBladeRequest) (*tandemv1.Device, error) {
	return s.changeDevice(ctx, req, req.GetId(), floor.ReplaceBlade{Device: req.GetId(), Blade: req.GetBlade()})
}

func (s *Server) changeDevice(ctx context.Context, req change, id string, c floor.Command) (*tandemv1.Device, error) {
	var out *tandemv1.Device
	err := s.do(ctx, req, c, func(st engine.State) {
		if d, ok := st.Floor.Device(id); ok {
			out = s.deviceView(st, d)
		}
	})
	return out, err
}

// StartRun implements DeviceService.
func (s *Server) StartRun(ctx context.Context, req *tandemv1.StartRunRequest) (*tandemv1.Run, error) {
	if err := plain("override_note", req.GetOverrideNote(), 2000); err != nil {
		return nil, err
	}
	return s.changeRun(ctx, req, req.GetRun(), floor.StartRun{Run: req.GetRun(), Override: req.GetOverrideNote()})
}

// FinishRun implements DeviceService.
func (s *Server) FinishRun(ctx context.Context, req *tandemv1.FinishRunRequest) (*tandemv1.Run, error) {
	return s.changeRun(ctx, req, req.GetRun(), floor.FinishRun{Run: req.GetRun(), Spoiled: req.GetPiecesSpoiled()})
}

func (s *Server) changeRun(ctx context.Context, req change, id string, c floor.Command) (*tandemv1.Run, error) {
	var out *tandemv1.Run
	err := s.do(ctx, req, c, func(st engine.State) {
		if r, ok := st.Floor.Run(id); ok {
			out = r.View()
		}
	})
	return out, err
}

// ResolveRun implements DeviceService.
func (s *Server) ResolveRun(ctx context.Context, req *tandemv1.ResolveRunRequest) (*tandemv1.Job, error) {
	if err := plain("note", req.GetNote(), 2000); err != nil {
		return nil, err
	}
	// The two enums have the same names and numbers; the ledger's never changes.
	outcome := ledgerv1.RunResolved_Outcome(req.GetOutcome())
	c := floor.ResolveRun{Run: req.GetRun(), Outcome: outcome, Good: req.GetPiecesGood(), Note: req.GetNote()}
	var out *tandemv1.Job
	err := s.do(ctx, req, c, func(st engine.State) {
		if r, ok := st.Floor.Run(req.GetRun()); ok {
			out = r.Step.Job.View(st.Now)
		}
	})
	return out, err
}
