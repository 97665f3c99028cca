package main

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/engine"
	"tandem/daemon/forecast"
	"tandem/daemon/ledger"
	"tandem/daemon/mirror"
	"tandem/daemon/planner"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/dispatch"
	"tandem/scheduler/floor"
)

// BenchmarkFreed tells how long a device that becomes free waits for its next order while a hundred thousand steps wait for a thousand
// devices, and forecasts and plans are made beside: the engine's part of it, with a ledger in memory and no bus, so that what a disk
// and a network need is left out.
func BenchmarkFreed(b *testing.B) {
	const devices, perJob = 1000, 4
	steps := 100_000
	if testing.Short() {
		steps = 8000
	}
	file := &tandemv1.FloorFile{}
	granted := map[string]chan *driverv1.Grant{}
	for i := range devices {
		id := fmt.Sprint("printer-", i)
		granted[id] = make(chan *driverv1.Grant, 4)
		file.Devices = append(file.Devices, &tandemv1.Device{
			Id: id, Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim", External: true},
			Abilities: []*tandemv1.Ability{{
				Operation: "print", PerPiece: durationpb.New(time.Second),
				UnattendedStart: &tandemv1.UnattendedStart{AllowedBy: "Marit", AllowTime: timestamppb.Now()},
			}},
		})
	}
	choose := dispatch.New(dispatch.EarliestCompletion)
	eng, err := engine.Open(b.Context(), engine.Options{
		Ledger: ledger.NewMemory(), Clock: clock.Wall(), Dispatcher: choose, File: file, Period: time.Hour,
		Send: func(device string, o *driverv1.Order, answered func(*driverv1.Answer, error)) {
			if g := o.GetGrant(); g != nil {
				granted[device] <- g
			}
		},
	})
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	defer running.Wait()
	defer cancel()
	running.Go(func() {
		if err := eng.Run(ctx); err != nil {
			b.Error(err)
		}
	})
	for i := range steps / perJob {
		j := &tandemv1.Job{Id: fmt.Sprint("w", i), Pieces: 60}
		for k := range perJob {
			j.Steps = append(j.Steps, &tandemv1.Step{Id: fmt.Sprint("print-", k), Operation: "print"})
		}
		if _, err := eng.Do(ctx, floor.Meta{Actor: "rip"}, floor.CreateJob{Job: j}); err != nil {
			b.Fatal(err)
		}
	}
	now := clock.Wall()
	copied := mirror.New(eng, now.Now, zap.NewNop())
	plans := planner.New(eng, copied, choose, zap.NewNop())
	forecasts := forecast.New(copied, forecast.Options{Plan: plans.Following})
	running.Go(func() { copied.Run(ctx) })
	running.Go(func() { plans.Run(ctx) })
	running.Go(func() { forecasts.Run(ctx) })
	hand := map[string]*driverv1.Grant{}
	for _, d := range file.GetDevices() {
		idle := &driverv1.Status{Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE}
		if _, err := eng.Hello(ctx, d.GetId(), idle); err != nil {
			b.Fatal(err)
		}
		hand[d.GetId()] = <-granted[d.GetId()]
	}
	var took []time.Duration
	b.ResetTimer()
	for i := range b.N {
		id := file.GetDevices()[i%devices].GetId()
		g := hand[id]
		began := time.Now()
		if err := eng.Status(ctx, id, &driverv1.Status{
			Epoch: 1, Sequence: uint64(i + 1), State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE,
			Runs: []*driverv1.RunStatus{{Run: g.GetRun(), Fence: g.GetFence(), State: tandemv1.JobState_JOB_STATE_COMPLETED, PiecesGood: g.GetPieces()}},
		}); err != nil {
			b.Fatal(err)
		}
		hand[id] = <-granted[id]
		took = append(took, time.Since(began))
	}
	b.StopTimer()
	slices.Sort(took)
	at := func(share float64) float64 {
		return float64(took[min(int(share*float64(len(took))), len(took)-1)].Microseconds())
	}
	b.ReportMetric(at(0.5), "p50-us")
	b.ReportMetric(at(0.99), "p99-us")
	b.ReportMetric(at(1), "max-us")
}
