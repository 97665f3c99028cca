package main

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	tandemv1 "tandem/proto/tandem/v1"
)

// build compiles the daemon as a shop would run it.
func build(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "tandemd")
	if out, err := exec.Command("go", "build", "-o", path, ".").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	return path
}

// process is a child of the test; it is killed at the end at the latest.
type process struct {
	cmd   *exec.Cmd
	lines chan string
}

func start(t *testing.T, bin string, args ...string) *process {
	t.Helper()
	cmd := exec.Command(bin, args...)
	cmd.Dir = filepath.Join("..", "..")
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	p := &process{cmd: cmd, lines: make(chan string, 10_000)}
	go func() {
		defer close(p.lines)
		for s := bufio.NewScanner(out); s.Scan(); {
			p.lines <- s.Text()
		}
	}()
	t.Cleanup(p.kill)
	return p
}

// kill is the hard way: no handler runs, nothing is flushed.
func (p *process) kill() {
	if p.cmd.ProcessState == nil {
		_ = p.cmd.Process.Kill()
		for range p.lines { // Wait closes the pipe, so read it out first
		}
		_ = p.cmd.Wait()
	}
}

func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func dialDaemon(t *testing.T, address string) clients {
	t.Helper()
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithDefaultCallOptions(grpc.WaitForReady(true)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	for {
		r, err := healthpb.NewHealthClient(conn).Check(ctx, &healthpb.HealthCheckRequest{})
		if err == nil && r.GetStatus() == healthpb.HealthCheckResponse_SERVING {
			return clientsOf(conn)
		}
		if ctx.Err() != nil {
			t.Fatalf("the daemon does not serve: %v", err)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// The whole day, with the daemon killed hard again and again: every ticket handed in is finished, and no step ran twice.
func TestDayWithTheDaemonKilled(t *testing.T) {
	bin, data := build(t), t.TempDir()
	args := []string{"demo", "--data-dir", data, "--speed", "2500"}
	for kill := range 5 {
		p := start(t, bin, args...)
		deadline := time.After(time.Duration(1500+rand.IntN(2000)) * time.Millisecond)
		for waiting := true; waiting; {
			select {
			case _, ok := <-p.lines:
				if !ok {
					t.Fatalf("start %d: the demo ended before it was killed: %v", kill, p.cmd.Wait())
				}
			case <-deadline:
				waiting = false
			}
		}
		p.kill()
	}
	last := start(t, bin, args...)
	var summary strings.Builder
	for line := range last.lines {
		summary.WriteString(line + "\n")
	}
	if err := last.cmd.Wait(); err != nil {
		t.Fatalf("the demo that went on ended with %v\n%s", err, summary.String())
	}
	if !regexp.MustCompile(`(?m)^13 jobs, \d+ pieces in `).MatchString(summary.String()) {
		t.Errorf("no summary of 13 jobs in\n%s", summary.String())
	}

	address := freeAddress(t)
	start(t, bin, "serve", "--data-dir", data, "--floor", "testdata/floors/harbour.yaml", "--listen", address, "--bus-listen", "")
	c := dialDaemon(t, address)
	list, err := c.jobs.ListJobs(t.Context(), &tandemv1.ListJobsRequest{PageSize: 1000})
	if err != nil {
		t.Fatal(err)
	}
	if n := len(list.GetJobs()); n != 13 {
		t.Fatalf("%d jobs in the ledger, want 13", n)
	}
	for _, j := range list.GetJobs() {
		if j.GetState() != tandemv1.JobState_JOB_STATE_COMPLETED {
			t.Errorf("%s is %v %v", j.GetId(), j.GetState(), j.GetStateReasons())
		}
		for _, s := range j.GetSteps() {
			begun := 0
			for _, r := range s.GetRuns() {
				if r.GetStartTime() != nil {
					begun++
				}
			}
			if begun != 1 || s.GetPiecesGood() != j.GetPieces() && len(s.GetPanels()) == len(j.GetPanels()) {
				t.Errorf("%s/%s began %d times and made %d of %d pieces, want once and all", j.GetId(), s.GetId(), begun, s.GetPiecesGood(), j.GetPieces())
			}
		}
	}
	status, err := c.admin.GetStatus(t.Context(), &tandemv1.GetStatusRequest{})
	if err != nil || status.GetTerm() < 7 {
		t.Errorf("term %d after 7 starts (%v)", status.GetTerm(), err)
	}
}

const oneCutter = `
devices:
  - id: cutter-1
    driver: {kind: sim, external: true}
    abilities:
      - {operation: cut, setup: 10s, per_piece: 10s}
people:
  - {id: marit, display_name: Marit, supervisor: true}
`

// A driver in a process of its own is killed in the middle of a run: the outcome is unknown, nothing is given to anybody
// else, and when the driver is back it asks its machine and the same run goes on.
func TestDriverKilledInTheMiddleOfARun(t *testing.T) {
	bin, data := build(t), t.TempDir()
	floorPath := filepath.Join(data, "floor.yaml")
	if err := os.WriteFile(floorPath, []byte(oneCutter), 0o600); err != nil {
		t.Fatal(err)
	}
	address, busAddress := freeAddress(t), freeAddress(t)
	start(t, bin, "serve", "--data-dir", data, "--floor", floorPath, "--listen", address, "--bus-listen", busAddress, "--time-scale", "20")
	c := dialDaemon(t, address)
	drive := func() *process {
		return start(t, bin, "drive", "--floor", floorPath, "--device", "cutter-1", "--bus", "nats://"+busAddress,
			"--token-file", filepath.Join(data, "bus", "driver-token"), "--data-dir", filepath.Join(data, "cutter-pc"))
	}
	driver := drive()
	job := &tandemv1.Job{Id: "numbers", Pieces: 60, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}}
	if _, err := c.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: job, RequestId: "r1"}); err != nil {
		t.Fatal(err)
	}
	step := func() *tandemv1.Step {
		j, err := c.jobs.GetJob(t.Context(), &tandemv1.GetJobRequest{Id: "numbers"})
		if err != nil {
			t.Fatal(err)
		}
		return j.GetSteps()[0]
	}
	wait := func(what string, ok func(*tandemv1.Step) bool) *tandemv1.Step {
		t.Helper()
		for deadline := time.Now().Add(60 * time.Second); ; time.Sleep(20 * time.Millisecond) {
			s := step()
			if ok(s) {
				return s
			}
			if time.Now().After(deadline) {
				t.Fatalf("%s: not within a minute; the step is %v", what, s)
			}
		}
	}
	s := wait("granted", func(s *tandemv1.Step) bool { return len(s.GetRuns()) == 1 })
	run := s.GetRuns()[0].GetId()
	if s.GetRuns()[0].GetMayStart() {
		t.Fatal("a cutter may start with nobody there")
	}
	for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		_, err := c.devices.StartRun(t.Context(), &tandemv1.StartRunRequest{Run: run, RequestId: "r2", Actor: "marit"})
		if err == nil {
			break
		}
		if status.Code(err) != codes.FailedPrecondition || time.Now().After(deadline) {
			t.Fatal(err)
		}
	}
	wait("processing", func(s *tandemv1.Step) bool { return s.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING })
	driver.kill()
	s = wait("outcome unknown", func(s *tandemv1.Step) bool {
		return strings.Contains(fmt.Sprint(s.GetStateReasons()), "x-outcome-unknown")
	})
	if s.GetState() != tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED || len(s.GetRuns()) != 1 {
		t.Fatalf("while the driver is away: %v", s)
	}
	drive()
	s = wait("completed", func(s *tandemv1.Step) bool { return s.GetState() == tandemv1.JobState_JOB_STATE_COMPLETED })
	if len(s.GetRuns()) != 1 || s.GetRuns()[0].GetId() != run || s.GetPiecesGood() != 60 {
		t.Errorf("in the end: %v, want 60 pieces in the one run %s", s, run)
	}
}

// Two daemons in one data folder would destroy the ledger.
func TestSecondDaemonInTheSameFolderIsRefused(t *testing.T) {
	bin, data := build(t), t.TempDir()
	address := freeAddress(t)
	args := func(a string) []string {
		return []string{"serve", "--data-dir", data, "--floor", "testdata/floors/harbour.yaml", "--listen", a, "--bus-listen", ""}
	}
	start(t, bin, args(address)...)
	dialDaemon(t, address)
	cmd := exec.Command(bin, args(freeAddress(t))...)
	cmd.Dir = filepath.Join("..", "..")
	out, err := cmd.CombinedOutput()
	if err == nil || !strings.Contains(string(out), "in use") {
		t.Errorf("the second daemon ended with %v and said\n%s", err, out)
	}
}
