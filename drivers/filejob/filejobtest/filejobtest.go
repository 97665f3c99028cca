// Package filejobtest plays the floor around a driver that hands files over: it gives orders, waits for what is reported,
// and writes the files of runs. It serves tests only.
package filejobtest

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// patience is how long something may take that should happen, on a computer with much else to do.
const patience = 30 * time.Second

// Floor is one call of a driver's Run.
type Floor struct {
	t      *testing.T
	orders chan *driverv1.Order
	cancel context.CancelFunc
	ended  chan struct{}
	err    error // of Run, once it has ended

	mu   sync.Mutex
	all  []*driverv1.Status
	news chan struct{} // closed at the next report
}

// Start calls a driver's Run.
func Start(t *testing.T, driver drivers.Driver) *Floor {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	f := &Floor{t: t, orders: make(chan *driverv1.Order), cancel: cancel, ended: make(chan struct{}), news: make(chan struct{})}
	go func() {
		defer close(f.ended)
		f.err = driver.Run(ctx, f.orders, func(s *driverv1.Status) {
			f.mu.Lock()
			defer f.mu.Unlock()
			f.all = append(f.all, proto.CloneOf(s))
			close(f.news)
			f.news = make(chan struct{})
		})
	}()
	t.Cleanup(func() {
		cancel()
		<-f.ended
	})
	return f
}

// Statuses returns everything that was reported.
func (f *Floor) Statuses() []*driverv1.Status {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clip(f.all)
}

// Stop ends the call as the end of the daemon does, and returns what Run returned.
func (f *Floor) Stop() error {
	f.t.Helper()
	f.cancel()
	return f.Lost()
}

// Lost waits until Run has returned, and returns its error.
func (f *Floor) Lost() error {
	f.t.Helper()
	select {
	case <-f.ended:
		return f.err
	case <-time.After(patience):
		f.t.Fatalf("Run has not returned within %s; the last status is %v", patience, f.Last())
		return nil
	}
}

// Last returns the last status; nil: none yet.
func (f *Floor) Last() *driverv1.Status {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.all) == 0 {
		return nil
	}
	return f.all[len(f.all)-1]
}

// Wait waits for a status in which something holds.
func (f *Floor) Wait(what string, holds func(*driverv1.Status) bool) *driverv1.Status {
	f.t.Helper()
	late := time.After(patience)
	for {
		f.mu.Lock()
		news, n := f.news, len(f.all)
		f.mu.Unlock()
		if n > 0 {
			if s := f.Last(); holds(s) {
				return s
			}
		}
		select {
		case <-news:
		case <-f.ended:
			if s := f.Last(); s != nil && holds(s) {
				return s
			}
			f.t.Fatalf("Run has ended with %v before: %s; the last status is %v", f.err, what, f.Last())
		case <-late:
			f.t.Fatalf("not within %s: %s; the last status is %v", patience, what, f.Last())
		}
	}
}

// Idle waits until the driver has reported that the device has nothing to do.
func (f *Floor) Idle() {
	f.t.Helper()
	f.Wait("idle", func(s *driverv1.Status) bool { return s.GetState() == tandemv1.DeviceState_DEVICE_STATE_IDLE })
}

// Run waits until a run has a state and, unless it is empty, a reason.
func (f *Floor) Run(run string, state tandemv1.JobState, reason string) *driverv1.RunStatus {
	f.t.Helper()
	s := f.Wait(run+" is "+state.String()+" "+reason, func(s *driverv1.Status) bool {
		r := Find(s, run)
		return r.GetState() == state && (reason == "" || slices.Contains(r.GetStateReasons(), reason))
	})
	return Find(s, run)
}

// Unknown waits until a run's outcome is unknown.
func (f *Floor) Unknown(run string) {
	f.t.Helper()
	f.Run(run, tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, drivers.ReasonOutcomeUnknown)
}

// Find returns what a status says about a run, or nil.
func Find(s *driverv1.Status, run string) *driverv1.RunStatus {
	for _, r := range s.GetRuns() {
		if r.GetRun() == run {
			return r
		}
	}
	return nil
}

func (f *Floor) order(o *driverv1.Order) {
	f.t.Helper()
	select {
	case f.orders <- o:
	case <-f.ended:
		f.t.Fatalf("Run has ended with %v before it took %v", f.err, o)
	case <-time.After(patience):
		f.t.Fatalf("the driver has not taken %v within %s", o, patience)
	}
}

// Grant gives a run.
func (f *Floor) Grant(g *driverv1.Grant) {
	f.t.Helper()
	f.order(&driverv1.Order{Kind: &driverv1.Order_Grant{Grant: g}})
}

// StopRun asks to stop a run.
func (f *Floor) StopRun(run string) {
	f.t.Helper()
	f.order(&driverv1.Order{Kind: &driverv1.Order_Stop{Stop: &driverv1.Stop{Run: run, Fence: 1}}})
}

// Settle lets a run be forgotten.
func (f *Floor) Settle(run string) {
	f.t.Helper()
	f.order(&driverv1.Order{Kind: &driverv1.Order_Settle{Settle: &driverv1.Settle{Run: run, Fence: 1}}})
}

// Write writes the file of a run and returns its document.
func Write(t *testing.T, dir, name string, body []byte) *tandemv1.Document {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, name), body, 0o600); err != nil {
		t.Fatal(err)
	}
	return Document(name, body)
}

// Document is the document of a file with these bytes.
func Document(name string, body []byte) *tandemv1.Document {
	sum := sha256.Sum256(body)
	return &tandemv1.Document{Role: "cut", Uri: name, Sha256: hex.EncodeToString(sum[:])}
}

// Started is a run with files that somebody has just started.
func Started(run string, work time.Duration, docs ...*tandemv1.Document) *driverv1.Grant {
	g := Waiting(run, work, docs...)
	g.MayStart, g.StartTime, g.StartBefore = true, timestamppb.Now(), timestamppb.New(time.Now().Add(10*time.Minute))
	return g
}

// Waiting is a run with files that waits for its start.
func Waiting(run string, work time.Duration, docs ...*tandemv1.Document) *driverv1.Grant {
	return &driverv1.Grant{
		Run: run, Fence: 1, Job: "job-1", Step: "cut", Operation: "cut", Pieces: 12, PanelCodes: []string{"P0015"},
		Documents: docs, ExpectedWork: durationpb.New(work),
	}
}
