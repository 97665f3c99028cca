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
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
)

// BenchmarkDurableSubmit measures jobs of four steps handed in over gRPC, each on disk before the reply, against what the
// same disk needs to take 256 bytes (write and fdatasync, one at a time) in the same run.
func BenchmarkDurableSubmit(b *testing.B) {
	for _, callers := range []int{1, 64} {
		b.Run(fmt.Sprintf("callers=%d", callers), func(b *testing.B) { durableSubmit(b, callers) })
	}
}

func durableSubmit(b *testing.B, callers int) {
	dir := b.TempDir()
	disk := syncMedian(b, dir)
	conn := serveForBench(b, dir)
	client := tandemv1.NewJobServiceClient(conn)
	took := make([]time.Duration, b.N)
	next := make(chan int, b.N)
	for i := range b.N {
		next <- i
	}
	close(next)
	b.ResetTimer()
	var wg sync.WaitGroup
	for range callers {
		wg.Go(func() {
			for i := range next {
				began := time.Now()
				_, err := client.CreateJob(context.Background(), &tandemv1.CreateJobRequest{Job: fourSteps(fmt.Sprintf("job-%d", i)), RequestId: strconv.Itoa(i)})
				if err != nil {
					b.Error(err)
					return
				}
				took[i] = time.Since(began)
			}
		})
	}
	wg.Wait()
	b.StopTimer()
	slices.Sort(took)
	p50 := took[len(took)/2]
	b.ReportMetric(float64(p50.Microseconds()), "p50-µs")
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds()), "p99-µs")
	b.ReportMetric(float64(disk.Microseconds()), "fdatasync-p50-µs")
	b.ReportMetric(float64(p50)/float64(disk), "p50/fdatasync")
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "jobs/s")
}

func fourSteps(id string) *tandemv1.Job {
	return &tandemv1.Job{Id: id, Pieces: 60, Steps: []*tandemv1.Step{
		{Id: "print", Operation: "print"},
		{Id: "dry", Operation: "dry", After: []string{"print"}, Duration: durationpb.New(time.Hour)},
		{Id: "laminate", Operation: "laminate", After: []string{"dry"}},
		{Id: "cut", Operation: "cut", After: []string{"laminate"}},
	}}
}

func syncMedian(b *testing.B, dir string) time.Duration {
	f, err := os.Create(filepath.Join(dir, "disk"))
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	took := make([]time.Duration, 200)
	for i := range took {
		began := time.Now()
		if _, err := f.Write(make([]byte, 256)); err != nil {
			b.Fatal(err)
		}
		if err := fdatasync(f); err != nil {
			b.Fatal(err)
		}
		took[i] = time.Since(began)
	}
	slices.Sort(took)
	return took[len(took)/2]
}

// serveForBench runs a daemon in this process. Its floor has one external device that never comes, so that nothing but
// the submit is measured.
func serveForBench(b *testing.B, dir string) *grpc.ClientConn {
	ctx, cancel := context.WithCancel(context.Background())
	file := &tandemv1.FloorFile{Devices: []*tandemv1.Device{{
		Id: "printer-1", Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim", External: true},
		Abilities: []*tandemv1.Ability{{Operation: "print"}},
	}}}
	at := make(chan address, 1)
	ended := make(chan error, 1)
	go func() {
		ended <- serveUntilStopped(ctx, daemonConfig{DataDir: dir, Listen: "127.0.0.1:0", TimeScale: 1, File: file, Log: zap.NewNop()}, func(a address) { at <- a })
	}()
	b.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			b.Error(err)
		}
	})
	select {
	case a := <-at:
		conn, err := grpc.NewClient(a.API, grpc.WithTransportCredentials(insecure.NewCredentials()))
		if err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { _ = conn.Close() })
		return conn
	case err := <-ended:
		b.Fatal(err)
		return nil
	}
}

// BenchmarkIdle starts the real process with twenty simulated devices and reports what it takes to do nothing.
func BenchmarkIdle(b *testing.B) {
	if runtime.GOOS != "linux" {
		b.Skip("reads /proc")
	}
	bin := filepath.Join(b.TempDir(), "tandemd")
	if out, err := exec.Command("go", "build", "-o", bin, ".").CombinedOutput(); err != nil {
		b.Fatalf("build: %v\n%s", err, out)
	}
	var floor strings.Builder
	floor.WriteString("devices:\n")
	for i := range 20 {
		fmt.Fprintf(&floor, "  - {id: printer-%d, driver: {kind: sim}, abilities: [{operation: print, per_piece: 1s}]}\n", i)
	}
	dir := b.TempDir()
	path := filepath.Join(dir, "floor.yaml")
	if err := os.WriteFile(path, []byte(floor.String()), 0o600); err != nil {
		b.Fatal(err)
	}
	observe := 10 * time.Second
	if testing.Short() {
		observe = time.Second
	}
	for i := range b.N {
		began := time.Now()
		cmd := exec.Command(bin, "serve", "--floor", path, "--data-dir", filepath.Join(dir, strconv.Itoa(i)), "--listen", "127.0.0.1:17431", "--bus-listen", "", "--log-level", "error")
		if err := cmd.Start(); err != nil {
			b.Fatal(err)
		}
		waitServing(b, "127.0.0.1:17431")
		serving := time.Since(began)
		time.Sleep(2 * time.Second) // drivers introduce themselves
		before := cpuTicks(b, cmd.Process.Pid)
		time.Sleep(observe)
		cpu := float64(cpuTicks(b, cmd.Process.Pid)-before) / 100 / observe.Seconds()
		b.ReportMetric(float64(residentKiB(b, cmd.Process.Pid))/1024, "RSS-MiB")
		b.ReportMetric(100*cpu, "CPU-%")
		b.ReportMetric(float64(serving.Milliseconds()), "serving-ms")
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	}
}

func waitServing(b *testing.B, address string) {
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close()
	for deadline := time.Now().Add(20 * time.Second); time.Now().Before(deadline); time.Sleep(time.Millisecond) {
		conn.ResetConnectBackoff()
		r, err := healthpb.NewHealthClient(conn).Check(context.Background(), &healthpb.HealthCheckRequest{})
		if err == nil && r.GetStatus() == healthpb.HealthCheckResponse_SERVING {
			return
		}
	}
	b.Fatal("the daemon does not serve")
}

func residentKiB(b *testing.B, pid int) int {
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		b.Fatal(err)
	}
	for line := range strings.Lines(string(data)) {
		if rest, ok := strings.CutPrefix(line, "VmRSS:"); ok {
			n, _ := strconv.Atoi(strings.Fields(rest)[0])
			return n
		}
	}
	b.Fatal("no VmRSS")
	return 0
}

// cpuTicks returns user and system time in hundredths of a second (USER_HZ of Linux, proc(5)).
func cpuTicks(b *testing.B, pid int) int {
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		b.Fatal(err)
	}
	fields := strings.Fields(string(data[strings.LastIndexByte(string(data), ')')+1:]))
	user, _ := strconv.Atoi(fields[11])
	system, _ := strconv.Atoi(fields[12])
	return user + system
}
