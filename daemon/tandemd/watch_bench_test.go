package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
)

const (
	benchWatchers     = 1000
	watchesOfOne      = 100 // per connection
	eventsPerSecond   = 10  // to each watcher
	watchedJobs       = 10
	submitters        = 64
	watchBenchAddress = "127.0.0.1:17432"
)

// BenchmarkWatchers starts the real process and a thousand watchers, each of which is sent ten records in a second.
//
//   - CPU-%: what the daemon takes for watchers of everything while ten records a second are written, in per cent of one
//     core, less what it takes for the same records without watchers.
//   - append-ratio: how many jobs 64 callers hand in, with watchers of one job each beside them, over how many without. The
//     watchers' own work is in this process, on the same cores: reading is left to gRPC, decoding is left out.
func BenchmarkWatchers(b *testing.B) {
	if runtime.GOOS != "linux" {
		b.Skip("reads /proc")
	}
	round, rounds := 4*time.Second, 5
	if testing.Short() {
		round, rounds = time.Second, 1
	}
	pid := startForBench(b)
	conn := dialForBench(b)
	s := &submitting{jobs: tandemv1.NewJobServiceClient(conn)}
	for i := range watchedJobs {
		s.create(b, watchedJob(i))
	}
	for range b.N {
		quiet := cpuOver(b, pid, round, func(ctx context.Context) { s.touch(ctx, b, 1) })
		w := watchAll(b, func(int) string { return "" })
		watched := cpuOver(b, pid, round, func(ctx context.Context) { s.touch(ctx, b, 1) })
		b.ReportMetric(float64(w.leave())/round.Seconds(), "messages/s")
		b.ReportMetric(100*(watched-quiet)/round.Seconds(), "CPU-%")

		var ratios, without, with, messages, cpu []float64
		for range rounds {
			var alone, beside int64
			aloneCPU := cpuOver(b, pid, round, func(ctx context.Context) { alone = s.submitAll(ctx, b) })
			w := watchAll(b, func(i int) string { return watchedJob(i % watchedJobs) })
			besideCPU := cpuOver(b, pid, round, func(ctx context.Context) { beside = s.submitAll(ctx, b) })
			messages = append(messages, float64(w.leave())/round.Seconds())
			ratios = append(ratios, float64(beside)/float64(alone))
			without, with = append(without, float64(alone)/round.Seconds()), append(with, float64(beside)/round.Seconds())
			cpu = append(cpu, (besideCPU/float64(beside))/(aloneCPU/float64(alone)))
		}
		b.ReportMetric(median(ratios), "append-ratio")
		b.ReportMetric(median(without), "jobs/s-without")
		b.ReportMetric(median(with), "jobs/s-with")
		b.ReportMetric(median(messages), "messages/s-beside")
		b.ReportMetric(median(cpu), "CPU/job-ratio")
	}
}

func watchedJob(i int) string { return fmt.Sprint("watched-", i) }

func median(list []float64) float64 {
	slices.Sort(list)
	return list[len(list)/2]
}

// startForBench starts a daemon whose one device never comes.
func startForBench(b *testing.B) (pid int) {
	dir := b.TempDir()
	bin, path := filepath.Join(dir, "tandemd"), filepath.Join(dir, "floor.yaml")
	if out, err := exec.Command("go", "build", "-o", bin, ".").CombinedOutput(); err != nil {
		b.Fatalf("build: %v\n%s", err, out)
	}
	floor := "devices:\n  - {id: printer-1, driver: {kind: sim, external: true}, abilities: [{operation: print, per_piece: 1s}]}\n"
	if err := os.WriteFile(path, []byte(floor), 0o600); err != nil {
		b.Fatal(err)
	}
	cmd := exec.Command(bin, "serve", "--floor", path, "--data-dir", filepath.Join(dir, "data"), "--listen", watchBenchAddress, "--bus-listen", "", "--log-level", "error")
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	waitServing(b, watchBenchAddress)
	return cmd.Process.Pid
}

func dialForBench(b *testing.B, more ...grpc.DialOption) *grpc.ClientConn {
	conn, err := grpc.NewClient(watchBenchAddress, append(more, grpc.WithTransportCredentials(insecure.NewCredentials()))...)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = conn.Close() })
	return conn
}

// cpuOver runs work for a while and returns the seconds of processor time that a process took meanwhile.
func cpuOver(b *testing.B, pid int, d time.Duration, work func(context.Context)) float64 {
	ctx, cancel := context.WithTimeout(context.Background(), d)
	defer cancel()
	before := cpuTicks(b, pid)
	work(ctx)
	return float64(cpuTicks(b, pid)-before) / 100
}

// submitting hands in jobs.
type submitting struct {
	jobs  tandemv1.JobServiceClient
	count atomic.Int64
}

func (s *submitting) create(b *testing.B, id string) {
	if _, err := s.jobs.CreateJob(context.Background(), &tandemv1.CreateJobRequest{Job: fourSteps(id)}); err != nil {
		b.Fatal(err)
	}
}

// submitAll hands in jobs from many callers, and touches the watched ones, until ctx ends. It returns how many were taken.
func (s *submitting) submitAll(ctx context.Context, b *testing.B) (taken int64) {
	var all sync.WaitGroup
	var n atomic.Int64
	for range submitters {
		all.Go(func() {
			for ctx.Err() == nil {
				id := strconv.FormatInt(s.count.Add(1), 10)
				if _, err := s.jobs.CreateJob(ctx, &tandemv1.CreateJobRequest{Job: fourSteps("job-" + id), RequestId: id}); err == nil {
					n.Add(1)
				} else if status.Code(err) != codes.DeadlineExceeded {
					b.Error(err)
					return
				}
			}
		})
	}
	s.touch(ctx, b, watchedJobs)
	all.Wait()
	return n.Load()
}

// touch writes ten records a second about each of the first jobs, until ctx ends.
func (s *submitting) touch(ctx context.Context, b *testing.B, jobs int) {
	var all sync.WaitGroup
	for i := range jobs {
		all.Go(func() {
			tick := time.NewTicker(time.Second / eventsPerSecond)
			defer tick.Stop()
			for n := 0; ; n++ {
				select {
				case <-tick.C:
				case <-ctx.Done():
					return
				}
				var err error
				if n%2 == 0 {
					_, err = s.jobs.HoldJob(ctx, &tandemv1.HoldJobRequest{Id: watchedJob(i), Note: "the file is being checked"})
				} else {
					_, err = s.jobs.ReleaseJob(ctx, &tandemv1.ReleaseJobRequest{Id: watchedJob(i)})
				}
				if err != nil && status.Code(err) != codes.DeadlineExceeded {
					b.Error(err)
				}
			}
		})
	}
	all.Wait()
}

// watching is many watchers.
type watching struct {
	messages atomic.Int64
	leave    func() int64 // returns how many messages came
}

// undecoded is a codec that leaves what it receives undecoded.
type undecoded struct{}

func (undecoded) Name() string                             { return "proto" }
func (undecoded) Unmarshal(_ mem.BufferSlice, _ any) error { return nil }
func (undecoded) Marshal(v any) (mem.BufferSlice, error) {
	data, err := proto.Marshal(v.(proto.Message))
	return mem.BufferSlice{mem.SliceBuffer(data)}, err
}

func watchAll(b *testing.B, job func(i int) string) *watching {
	w := &watching{}
	ctx, cancel := context.WithCancel(context.Background())
	now, err := tandemv1.NewAdminServiceClient(dialForBench(b)).GetStatus(ctx, &tandemv1.GetStatusRequest{})
	if err != nil {
		b.Fatal(err)
	}
	var reading sync.WaitGroup
	var conns []*grpc.ClientConn
	for i := range benchWatchers {
		if i%watchesOfOne == 0 {
			conns = append(conns, dialForBench(b, grpc.WithDefaultCallOptions(grpc.ForceCodecV2(undecoded{}))))
		}
		stream, err := tandemv1.NewEventServiceClient(conns[len(conns)-1]).WatchEvents(ctx, &tandemv1.WatchEventsRequest{Revision: now.GetRevision(), Job: job(i)})
		if err != nil {
			b.Fatal(err)
		}
		reading.Go(func() {
			for {
				if _, err := stream.Recv(); err != nil {
					if status.Code(err) != codes.Canceled {
						b.Error(err)
					}
					return
				}
				w.messages.Add(1)
			}
		})
	}
	w.leave = func() int64 {
		cancel()
		reading.Wait()
		for _, c := range conns {
			_ = c.Close()
		}
		return w.messages.Load()
	}
	return w
}
