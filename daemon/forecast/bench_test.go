package forecast_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"tandem/daemon/forecast"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// BenchmarkLoopBesideForecasts measures how long a command takes that is handed in every two milliseconds, with 40 jobs open,
// without forecasts and with them, in turns within the same run. Each command is a job taken in and then canceled, which grants
// and withdraws. The ledger is one in memory, so that no disk hides what forecasts take from the loop.
func BenchmarkLoopBesideForecasts(b *testing.B) {
	took := map[bool][]time.Duration{}
	plays := 0
	rounds, each := 3, 1500
	if testing.Short() {
		rounds, each = 1, 100
	}
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
	s := bareShop(b)
	for n := range 40 {
		s.do(floor.CreateJob{Job: job(fmt.Sprintf("open-%d", n), 30, 100*time.Hour)})
	}
	if with {
		s.forecast(time.Now, forecast.Options{Every: 10 * time.Millisecond}) // no rest between forecasts, as in no daemon
		s.running.Go(func() {
			_ = s.dates.Watch(s.ctx, "", func([]*tandemv1.JobForecast, uint64) error { forecasts++; return nil })
		})
	}
	pace := time.NewTicker(2 * time.Millisecond)
	for n := range each {
		<-pace.C
		id := fmt.Sprintf("job-%d", n)
		began := time.Now()
		s.do(floor.CreateJob{Job: job(id, 30, time.Hour)})
		s.do(floor.CancelJob{Job: id})
		took = append(took, time.Since(began))
	}
	pace.Stop()
	s.stop()
	return took, forecasts
}
