package bus

import (
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
)

const (
	floodRate    = 10_000 // messages a second
	floodSeconds = 2
	others       = 20
	othersPause  = 25 * time.Millisecond
)

// One driver sends 10,000 messages a second while 20 others speak at their pace. Nothing of the others may be lost or
// come out of order, and the flooder's last word must arrive. How long the others waited is logged, not judged.
func TestFloodingDriverSlowsNobody(t *testing.T) {
	for _, large := range []bool{false, true} {
		t.Run(fmt.Sprintf("large=%t", large), func(t *testing.T) { flood(t, large) })
	}
}

func flood(t *testing.T, large bool) {
	devices := []string{"flooder"}
	for i := range others {
		devices = append(devices, fmt.Sprintf("device-%d", i))
	}
	heard := make(map[string]chan uint64)
	for _, d := range devices {
		heard[d] = make(chan uint64, 1)
	}
	s, l := startServer(t), new(listener)
	l.onStatus = func(device string, s *driverv1.Status) {
		if device != "flooder" {
			heard[device] <- s.GetSequence()
		}
	}
	b := openBus(t, s, l, Options{Devices: devices})

	var flooding atomic.Bool
	speak := func(nc *nats.Conn, device string, until func(sent int) bool) (waits []time.Duration) {
		base := len(l.heard(device))
		for sent := 0; !until(sent); sent++ {
			began, sequence := time.Now(), uint64(base+sent+1)
			publishStatus(t, nc, device, 1, sequence)
			select {
			case got := <-heard[device]:
				if got != sequence {
					t.Errorf("%s: sent %d, heard %d", device, sequence, got)
					return waits
				}
			case <-time.After(patience):
				t.Errorf("%s: %d is lost", device, sequence)
				return waits
			}
			waits = append(waits, time.Since(began))
			time.Sleep(othersPause - min(time.Since(began), othersPause)) // the pace of a driver
		}
		return waits
	}
	conns := make([]*nats.Conn, others)
	for i := range conns {
		conns[i] = paths[[]string{"tcp", "in-process"}[i%2]](t, s)
	}
	round := func(until func(int) bool) []time.Duration {
		var all []time.Duration
		var mu sync.Mutex
		var wg sync.WaitGroup
		for i, nc := range conns {
			wg.Go(func() {
				waits := speak(nc, devices[1+i], until)
				mu.Lock()
				all = append(all, waits...)
				mu.Unlock()
			})
		}
		wg.Wait()
		slices.Sort(all)
		return all
	}
	calm := round(func(sent int) bool { return sent == 40 })

	// The flood, in small portions.
	flooding.Store(true)
	var sent uint64
	var took time.Duration
	var flooder sync.WaitGroup
	nc := paths["tcp"](t, s)
	padding := ""
	if large {
		padding = string(slices.Repeat([]byte("x"), 4<<10))
	}
	flooder.Go(func() {
		defer flooding.Store(false)
		began := time.Now()
		tick := time.NewTicker(time.Millisecond)
		defer tick.Stop()
		for sent < floodRate*floodSeconds {
			<-tick.C
			for due := uint64(time.Since(began).Seconds() * floodRate); sent < min(due, floodRate*floodSeconds); {
				sent++
				publish(t, nc, drivers.StatusSubject("flooder"), fmt.Appendf(nil, `{"epoch":1,"sequence":%d,"padding":"%s"}`, sent, padding))
			}
		}
		if err := nc.Flush(); err != nil {
			t.Error(err)
		}
		took = time.Since(began)
	})
	storm := round(func(int) bool { return !flooding.Load() })
	flooder.Wait()

	if f := b.Stats().Flooders; !slices.Equal(f, []string{"flooder"}) {
		t.Errorf("flooders are %v", f)
	}
	eventually(t, "the flooder's last word", func() bool {
		h := l.heard("flooder")
		return len(h) > 0 && h[len(h)-1].GetSequence() == sent
	})
	st := deviceStats(t, b, "flooder")
	if st.Received != sent || st.Delivered+st.Coalesced != sent {
		t.Errorf("flooder: sent %d, %+v", sent, st)
	}
	if most := 100 + 50*(took+patience).Seconds(); float64(st.Delivered) > most || st.Delivered < 100 {
		t.Errorf("flooder: %d statuses were delivered", st.Delivered)
	}
	for i, x := range l.heard("flooder")[1:] {
		if x.GetSequence() <= l.heard("flooder")[i].GetSequence() {
			t.Fatalf("flooder: %d after %d", x.GetSequence(), l.heard("flooder")[i].GetSequence())
		}
	}
	all := b.Stats()
	if all.Lost != 0 || all.Dropped() != 0 {
		t.Errorf("lost %d, dropped %d", all.Lost, all.Dropped())
	}
	for _, d := range all.Devices {
		if d.Device != "flooder" && (d.Coalesced != 0 || d.Delivered != d.Received || d.Received == 0) {
			t.Errorf("%+v", d)
		}
	}
	t.Logf("%.0f msg/s from the flooder, %d heard; others waited p50 %s, p99 %s of %d; without the flood p50 %s, p99 %s of %d",
		float64(sent)/took.Seconds(), st.Delivered, percentile(storm, 50), percentile(storm, 99), len(storm),
		percentile(calm, 50), percentile(calm, 99), len(calm))
}

func percentile(sorted []time.Duration, p int) time.Duration {
	if len(sorted) == 0 {
		return 0
	}
	return sorted[min(len(sorted)*p/100, len(sorted)-1)]
}
