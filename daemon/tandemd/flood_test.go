package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"tandem/daemon/bus"
	"tandem/drivers"
	tandemv1 "tandem/proto/tandem/v1"
)

// A driver that has gone mad sends 10,000 messages a second. Another device's work goes on from ticket to finished pieces meanwhile,
// the daemon's memory stays within bounds, and its status names the flooder. How much longer others wait is a benchmark's:
// go -C daemon/peers run . -only grant
func TestAFloodingDriverIsNamed(t *testing.T) {
	const (
		rate    = 10_000 // messages a second
		seconds = 4
		most    = 64 << 20 // growth of the daemon's memory, bytes
		padding = 2 << 10  // bytes: together 80 MB, so that a daemon which keeps them is found out
	)
	dir := t.TempDir()
	floorFile := filepath.Join(dir, "floor.yaml")
	if err := os.WriteFile(floorFile, []byte(`
people: [{id: marit, display_name: Marit, supervisor: true}]
devices:
  - {id: flooder, driver: {kind: sim, external: true}, abilities: [{operation: emboss}]}
  - id: printer-1
    driver: {kind: sim}
    abilities: [{operation: print, per_piece: 1s, unattended_start: {allowed_by: Marit, allow_time: 2026-03-02T07:30:00+01:00}}]
`), 0o600); err != nil {
		t.Fatal(err)
	}
	data, api, busAddress := filepath.Join(dir, "data"), freeAddress(t), freeAddress(t)
	p := start(t, build(t), "serve", "--floor", floorFile, "--data-dir", data, "--listen", api, "--bus-listen", busAddress, "--time-scale", "20")
	c := dialDaemon(t, api)
	nc, err := bus.Dial("nats://"+busAddress, filepath.Join(data, "bus", bus.TokenFile), "flooder")
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	before := residentBytes(t, p)

	text := strings.Repeat("x", padding)
	began := time.Now()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	var named bool
	var largest, submitted int
	for sent := 0; sent < rate*seconds; {
		<-tick.C
		for due := int(time.Since(began).Seconds() * rate); sent < min(due, rate*seconds); sent++ {
			if err := nc.Publish(drivers.StatusSubject("flooder"), fmt.Appendf(nil, `{"epoch":1,"sequence":%d,"message":"%s"}`, sent+1, text)); err != nil {
				t.Fatal(err)
			}
		}
		if second := sent / rate; second >= submitted { // look once a second, and hand work in
			submitted = second + 1
			createPrint(t, c, fmt.Sprint("amid-", second))
			named = named || statusNames(t, c, "flooder")
			largest = max(largest, residentBytes(t, p)-before)
		}
	}
	if err := nc.Flush(); err != nil {
		t.Fatal(err)
	}
	took := time.Since(began)
	for n := range submitted {
		awaitCompleted(t, c, fmt.Sprint("amid-", n))
	}
	named = named || statusNames(t, c, "flooder")
	largest = max(largest, residentBytes(t, p)-before)
	t.Logf("%d messages in %v; the daemon's memory grew by %d KiB", rate*seconds, took.Round(time.Millisecond), largest>>10)
	if !named {
		t.Error("the status does not name the flooder")
	}
	if largest > most {
		t.Errorf("the daemon's memory grew by %d bytes, want %d at most", largest, most)
	}
}

func createPrint(t *testing.T, c clients, id string) {
	t.Helper()
	_, err := c.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{RequestId: id, Job: &tandemv1.Job{
		Id: id, Pieces: 20, Steps: []*tandemv1.Step{{Id: "print", Operation: "print"}},
	}})
	if err != nil {
		t.Fatal(err)
	}
}

func awaitCompleted(t *testing.T, c clients, id string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	for {
		j, err := c.jobs.GetJob(ctx, &tandemv1.GetJobRequest{Id: id})
		if err != nil {
			t.Fatal(err)
		}
		if j.GetState() == tandemv1.JobState_JOB_STATE_COMPLETED {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
}

func statusNames(t *testing.T, c clients, device string) bool {
	t.Helper()
	s, err := c.admin.GetStatus(t.Context(), &tandemv1.GetStatusRequest{})
	if err != nil {
		t.Fatal(err)
	}
	return strings.Contains(strings.Join(s.GetReasons(), "\n"), device)
}

// residentBytes is the process's resident memory; 0 where the system does not tell it in /proc.
func residentBytes(t *testing.T, p *process) int {
	t.Helper()
	if runtime.GOOS != "linux" {
		return 0
	}
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/statm", p.cmd.Process.Pid))
	if err != nil {
		t.Fatal(err)
	}
	pages, err := strconv.Atoi(strings.Fields(string(text))[1])
	if err != nil {
		t.Fatal(err)
	}
	return pages * os.Getpagesize()
}
