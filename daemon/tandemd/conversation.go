package main

import (
	"context"
	"errors"
	"fmt"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/bus"
	"tandem/daemon/engine"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	"tandem/scheduler/floor"
)

// conversation carries what drivers say to the engine.
type conversation struct {
	engine *engine.Engine
	clock  clock.Clock
	scale  float64
	leads  func() error // says why this daemon no longer leads
	log    *zap.Logger
}

func (c conversation) hello(ctx context.Context, device string, h *driverv1.Hello) *driverv1.Welcome {
	g, err := c.engine.Hello(ctx, device, h.GetStatus())
	var refused *floor.Error
	switch {
	case errors.As(err, &refused):
		return &driverv1.Welcome{Error: refused.Message}
	case err != nil, c.leads() != nil:
		return nil // the driver tries again, and finds the one that leads
	}
	return &driverv1.Welcome{
		Period: durationpb.New(statusPeriod), Now: timestamppb.New(c.clock.Now()), TimeScale: max(c.scale, 1), MinFence: g.MinFence, Term: g.Term,
	}
}

func (c conversation) status(device string, s *driverv1.Status) {
	err := c.engine.Status(context.Background(), device, s)
	var stale *floor.Error
	if err != nil && !errors.As(err, &stale) && !errors.Is(err, engine.ErrStopped) {
		c.log.Warn("status not taken", zap.String("device", device), zap.Error(err))
	}
}

// attention names the drivers that say too much, and the devices for which two speak.
func attention(s bus.Stats) []string {
	var out []string
	for _, id := range s.Flooders {
		out = append(out, fmt.Sprintf("the driver of %s sends more than is heard; its newest word counts", id))
	}
	for _, id := range s.Rivals {
		out = append(out, fmt.Sprintf("two drivers speak for %s, and only the one that began later is heard: stop the other one, wherever it runs, before anything is started there", id))
	}
	return out
}
