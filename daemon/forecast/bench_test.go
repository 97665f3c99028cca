package forecast_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"tandem/daemon/engine"
	"tandem/daemon/forecast"
	"tandem/daemon/ledger"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// BenchmarkLoopBesideForecasts measures how long a command takes that is handed in every two milliseconds, with 40 jobs open,
// without forecasts and with them, in turns within the same run. Each command is a job taken in and then canceled, which grants
// and withdraws. The ledger is one in memory, so that no disk hides what forecasts take from the loop.
func BenchmarkLoopBesideForecasts(b *testing.B) {
	took := map[bool][]time.Duration{}
	plays := 0
	const rounds, each = 3, 1500
	for range b.N {
		for round := range 2 * rounds {
			with := round%2 == 1
			t, n := loopTimes(b, with, each)
			took[with] = append(took[with], t...)
			plays += n
		}
	}
	for with, name := range map[bool]string{false: "without", true: "with"} {
		all := took[with]
		slices.Sort(all)
		b.ReportMetric(float64(all[len(all)/2].Microseconds()), "p50-µs-"+name)
		b.ReportMetric(float64(all[len(all)*99/100].Microseconds()), "p99-µs-"+name)
	}
	b.ReportMetric(float64(plays)/float64(rounds*b.N), "forecasts/round")
}

func loopTimes(b *testing.B, with bool, each int) (took []time.Duration, forecasts int) {
	e, err := engine.Open(b.Context(), engine.Options{
		Ledger: ledger.NewMemory(), Clock: clock.Wall(), File: file(), Period: time.Minute,
		Send: func(string, *driverv1.Order, func(*driverv1.Answer, error)) {},
	})
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{}, 2)
	running := 1
	go func() { _ = e.Run(ctx); ended <- struct{}{} }()
	for _, id := range []string{"cutter", "printer"} {
		if _, err := e.Hello(b.Context(), id, &driverv1.Status{Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE}); err != nil {
			b.Fatal(err)
		}
	}
	do := func(c floor.Command) {
		if _, err := e.Do(b.Context(), floor.Meta{Actor: "mira"}, c); err != nil {
			b.Fatal(err)
		}
	}
	for n := range 40 {
		do(floor.CreateJob{Job: job(fmt.Sprintf("open-%d", n), 30, 100*time.Hour)})
	}
	if with {
		dates := forecast.New(e, forecast.Options{Now: time.Now, Every: 10 * time.Millisecond}) // no rest between forecasts, as in no daemon
		running++
		go func() { dates.Run(ctx); ended <- struct{}{} }()
		go func() {
			_ = dates.Watch(ctx, "", func([]*tandemv1.JobForecast, uint64) error { forecasts++; return nil })
			ended <- struct{}{}
		}()
		running++
	}
	pace := time.NewTicker(2 * time.Millisecond)
	for n := range each {
		<-pace.C
		id := fmt.Sprintf("job-%d", n)
		began := time.Now()
		do(floor.CreateJob{Job: job(id, 30, time.Hour)})
		do(floor.CancelJob{Job: id})
		took = append(took, time.Since(began))
	}
	pace.Stop()
	cancel()
	for range running {
		<-ended
	}
	return took, forecasts
}
