package datadir_test

import (
	"context"
	"fmt"
	"io"
	"slices"
	"sync"
	"testing"
	"time"

	"tandem/daemon/backup"
	"tandem/daemon/engine"
	"tandem/daemon/ledger"
)

// BenchmarkCommitsBesideABackup hands in one job after another over a ledger of 20,000 jobs: by itself, and while one backup after
// another is made. It reports the median and the 99th percentile of each and their ratio, and how fast a backup is. Its store is in
// TMPDIR, which must be on a real disk.
func BenchmarkCommitsBesideABackup(b *testing.B) {
	s := start(b, b.TempDir())
	const callers = 64
	jobs := 20_000
	if testing.Short() {
		jobs = 1000
	}
	var filling sync.WaitGroup
	for caller := range callers {
		filling.Go(func() {
			for i := caller; i < jobs; i += callers {
				s.submit(fmt.Sprintf("filler-%d", i), "print", "cut")
			}
		})
	}
	filling.Wait()
	n := 0
	for b.Loop() {
		alone := commits(s, &n)
		ctx, cancel := context.WithCancel(context.Background())
		made := make(chan []time.Duration, 1)
		go func() { made <- backups(ctx, s) }()
		beside := commits(s, &n)
		cancel()
		took := <-made
		b.ReportMetric(float64(quantile(alone, 0.5).Microseconds()), "alone-p50-us")
		b.ReportMetric(float64(quantile(alone, 0.99).Microseconds()), "alone-p99-us")
		b.ReportMetric(float64(quantile(beside, 0.5).Microseconds()), "beside-p50-us")
		b.ReportMetric(float64(quantile(beside, 0.99).Microseconds()), "beside-p99-us")
		b.ReportMetric(float64(quantile(beside, 0.5))/float64(quantile(alone, 0.5)), "x-alone-p50")
		b.ReportMetric(float64(quantile(took, 0.5).Milliseconds()), "backup-ms")
		b.ReportMetric(float64(s.store.Head().Revision), "records")
	}
	b.ReportMetric(0, "ns/op")
}

// commits hands in jobs for three seconds and returns how long each took.
func commits(s *shop, n *int) []time.Duration {
	var took []time.Duration
	for end := time.Now().Add(3 * time.Second); time.Now().Before(end); *n++ {
		begin := time.Now()
		s.submit(fmt.Sprintf("job-%d", *n), "print", "cut")
		took = append(took, time.Since(begin))
	}
	return took
}

// backups makes one after another until ctx ends.
func backups(ctx context.Context, s *shop) []time.Duration {
	var took []time.Duration
	for ctx.Err() == nil {
		begin := time.Now()
		var head ledger.Head
		err := s.engine.View(ctx, func(st engine.State) { head = st.Head })
		if err == nil {
			_, err = backup.Write(ctx, io.Discard, s.store, head, backup.About{Program: "a benchmark", Made: begin, TimeScale: 1})
		}
		if err == nil {
			took = append(took, time.Since(begin))
		} else if ctx.Err() == nil {
			s.t.Error(err)
			break
		}
	}
	if len(took) == 0 {
		took = []time.Duration{0} // none was done in that time
	}
	return took
}

func quantile(d []time.Duration, q float64) time.Duration {
	d = slices.Sorted(slices.Values(d))
	return d[min(int(q*float64(len(d))), len(d)-1)]
}
