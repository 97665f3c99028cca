package api

import (
	"context"
	"strings"

	"tandem/daemon/engine"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// ReceiveLot implements MaterialService.
func (s *Server) ReceiveLot(ctx context.Context, req *tandemv1.ReceiveLotRequest) (*tandemv1.Lot, error) {
	if err := plain("lot.note", req.GetLot().GetNote(), 2000); err != nil {
		return nil, err
	}
	return s.changeLot(ctx, req, floor.ReceiveLot{Lot: req.GetLot()})
}

// MeasureLot implements MaterialService.
func (s *Server) MeasureLot(ctx context.Context, req *tandemv1.MeasureLotRequest) (*tandemv1.Lot, error) {
	if err := plain("note", req.GetNote(), 2000); err != nil {
		return nil, err
	}
	return s.changeLot(ctx, req, floor.MeasureLot{Lot: req.GetId(), Remaining: req.GetRemainingUm(), Note: req.GetNote()})
}

// changeLot carries out a command and returns the lot it was about, whose id may have been made up by it.
func (s *Server) changeLot(ctx context.Context, req change, c floor.Command) (*tandemv1.Lot, error) {
	m, err := meta(req)
	if err != nil {
		return nil, err
	}
	done, err := s.engine.Do(ctx, m, c)
	if err != nil {
		return nil, err
	}
	id := strings.TrimPrefix(done.Subject, "lots/")
	var out *tandemv1.Lot
	err = s.engine.View(ctx, func(st engine.State) {
		if l, ok := st.Floor.Lot(id); ok {
			out = l.View()
		}
	})
	if err == nil && out == nil {
		err = floor.Missing("lot", id)
	}
	return out, err
}

// ListLots implements MaterialService. A page begins after the lot number in its token, so that lots received or used up
// between pages neither repeat nor hide others.
func (s *Server) ListLots(ctx context.Context, req *tandemv1.ListLotsRequest) (*tandemv1.ListLotsResponse, error) {
	if err := plain("media", req.GetMedia(), 63); err != nil {
		return nil, err
	}
	size := pageSize(req.GetPageSize(), 100)
	after, err := readToken(req.GetPageToken())
	if err != nil {
		return nil, err
	}
	out := &tandemv1.ListLotsResponse{}
	err = s.engine.View(ctx, func(st engine.State) {
		out.Revision = st.Head.Revision
		for _, l := range st.Floor.Lots() {
			switch {
			case l.Number <= after,
				req.GetMedia() != "" && l.Media() != req.GetMedia(),
				l.Remaining == 0 && !req.GetIncludeEmpty():
				continue
			}
			if len(out.GetLots()) == size {
				out.NextPageToken = makeToken(after)
				return
			}
			out.Lots = append(out.Lots, l.View())
			after = l.Number
		}
	})
	return out, err
}
