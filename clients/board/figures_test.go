package board

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
)

// TestFigures measures a floor of 200 devices and 5,000 open jobs, on which every second 20 jobs change and all devices go
// on, watched by a real browser and by 100 streams beside it, for 20 s:
//
//	TANDEM_BOARD_FIGURES=1 go test ./clients/board -run Figures -v
func TestFigures(t *testing.T) {
	if os.Getenv("TANDEM_BOARD_FIGURES") == "" {
		t.Skip("set TANDEM_BOARD_FIGURES=1 to measure")
	}
	browser := openBrowser(t)
	const jobs, devices, streams, changes, seconds = 5000, 200, 100, 20, 20
	d := newFakeDaemon()
	all, machines := many(jobs)
	machines = machines[:devices]
	for i, m := range machines {
		m.State = tandemv1.DeviceState_DEVICE_STATE_PROCESSING
		m.Runs[0].State, m.Runs[0].StateReasons, m.Runs[0].Pieces = tandemv1.JobState_JOB_STATE_PROCESSING, nil, 1000
		m.Runs[0].ExpectedEndTime = timestamppb.New(noon.Add(time.Duration(10+i) * time.Minute))
		all[i].Steps[1].State = tandemv1.JobState_JOB_STATE_PROCESSING
	}
	for i, j := range all {
		j.DueTime = timestamppb.New(noon.Add(time.Duration(i) * time.Minute))
	}
	d.put(all, machines...)
	b := newFakeBoard(t, d, Config{})
	b.now, b.mirror.wall = time.Now, time.Now
	ctx, cancel := context.WithCancel(t.Context())
	server, ended := serving(ctx, t, b)
	defer server.Close()

	var sent atomic.Int64
	var reading sync.WaitGroup
	for range streams {
		request, err := http.NewRequestWithContext(ctx, http.MethodGet, server.URL+"/live/floor", nil)
		if err != nil {
			t.Fatal(err)
		}
		reading.Go(func() {
			reply, err := http.DefaultClient.Do(request)
			if err != nil {
				return
			}
			defer reply.Body.Close()
			_, _ = io.Copy(counter{&sent}, reply.Body)
		})
	}
	_, first, _ := get(b.Handler(), "/")
	page := newTab(browser, t)
	page.visit(server.URL + "/")
	ask[bool](page, `(window.long = [], new PerformanceObserver((l) => l.getEntries().forEach((e) => window.long.push(e.duration))).observe({type: "longtask", buffered: true}), true)`)
	page.until("the first job is there", "[data-key=job-00000]", "job-00000")

	until(t, "all streams have begun", func() bool { return sent.Load() > 0 })
	time.Sleep(2 * time.Second) // the first pages are on their way
	sent.Store(0)
	cpu := processorTime(t)
	random := rand.New(rand.NewPCG(1, 2))
	var latencies []time.Duration
	for second := range seconds {
		began := time.Now()
		var changed []*tandemv1.Job
		for range changes {
			j := proto.CloneOf(all[random.IntN(jobs)])
			j.Revision++
			j.Steps[1].PiecesGood++
			changed = append(changed, j)
		}
		marked := proto.CloneOf(all[0])
		marked.DisplayName = fmt.Sprintf("round %d", second)
		var moved []*tandemv1.Device
		for _, m := range machines {
			x := proto.CloneOf(m)
			x.Runs[0].PiecesGood = int32(second * 40)
			x.Runs[0].Fraction = float64(second) / seconds
			moved = append(moved, x)
		}
		d.put(append(changed, marked), moved...)
		page.until("the change is there", "[data-key=job-00000]", marked.GetDisplayName())
		latencies = append(latencies, time.Since(began))
		time.Sleep(time.Until(began.Add(time.Second)))
	}
	cpu = processorTime(t) - cpu
	long := ask[[]float64](page, "window.long")
	applied := ask[[]float64](page, `performance.getEntriesByName("apply").map((e) => e.duration)`)
	slices.Sort(latencies)
	slices.Sort(applied)
	t.Logf("first page: %d bytes", len(first))
	t.Logf("sent to each of %d streams: %d bytes a second", streams, sent.Load()/streams/seconds)
	t.Logf("change to sight, with the asking: p50 %v, greatest %v", latencies[len(latencies)/2].Round(time.Millisecond), latencies[len(latencies)-1].Round(time.Millisecond))
	t.Logf("browser: %d frames, each taken in p50 %.1f ms, greatest %.1f ms; tasks over 50 ms: %d %v", len(applied), applied[len(applied)/2], applied[len(applied)-1], len(long), long)
	t.Logf("board: %.0f %% of a core, this test's daemon and streams included; watches of the daemon: %d", cpu.Seconds()/seconds*100, d.count("WatchEvents"))
	t.Logf("asked of the daemon: GetJob %d, ListDevices %d", d.count("GetJob"), d.count("ListDevices"))
	page.clean()
	cancel()
	if err := <-ended; !errors.Is(err, context.Canceled) {
		t.Errorf("the board ended with %v", err)
	}
	reading.Wait()
}

type counter struct{ n *atomic.Int64 }

func (c counter) Write(p []byte) (int, error) {
	c.n.Add(int64(len(p)))
	return len(p), nil
}
