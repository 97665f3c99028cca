package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/bus"
	"tandem/daemon/engine"
	"tandem/daemon/ledger"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

const (
	historyDevices = 64
	historyCallers = 16
	// jobsPerDay is how many jobs a floor day has in the history that is made: a busy shop's.
	jobsPerDay = 200
	// eventsPerJob is about how many events a job makes, see writeSome.
	eventsPerJob = 21
	// archiveEach is after how many jobs those that ended long ago leave the floor: a few at a time, as the daemon does it.
	archiveEach = 100
)

// restarts measures how quickly a long ledger is read and a daemon serves again.
func (b *bench) restarts(ctx context.Context) error {
	var list []machine
	for i := range historyDevices {
		list = append(list, machine{id: fmt.Sprintf("printer-%d", i)})
	}
	path := b.floorFile("history", list)
	data := filepath.Join(b.dir, "history")
	made, err := b.makeHistory(ctx, list, data)
	if err != nil {
		return fmt.Errorf("make a history: %w", err)
	}
	empty, err := b.startDaemon(ctx, path, filepath.Join(b.dir, "empty"))
	if err != nil {
		return err
	}
	empty.stop(syscall.SIGTERM)
	single := filepath.Join(b.dir, "single")
	if err := b.copySingly(ctx, data, single); err != nil {
		return fmt.Errorf("store each event as a message: %w", err)
	}
	var singly, packed, full, openBus []float64
	for range min(b.set.rounds, 3) {
		s, _, err := readStream(ctx, single, singleStream, made.events)
		if err != nil {
			return err
		}
		p, o, err := readStream(ctx, data, ledger.StreamName, made.records)
		if err != nil {
			return err
		}
		e, err := engineReplay(ctx, data)
		if err != nil {
			return err
		}
		rate := func(took time.Duration) float64 { return float64(made.events) / took.Seconds() }
		singly, packed, full, openBus = append(singly, rate(s)), append(packed, rate(p)), append(full, rate(e)), append(openBus, o.Seconds())
	}
	whole, err := b.startDaemon(ctx, path, data)
	if err != nil {
		return err
	}
	whole.stop(syscall.SIGTERM) // which saves a snapshot
	var with []float64
	for range b.set.rounds {
		d, err := b.startDaemon(ctx, path, data)
		if err != nil {
			return err
		}
		with = append(with, d.serving.Seconds())
		d.stop(syscall.SIGTERM)
	}
	ratio := func(rates []float64) string {
		var each []float64
		for i, r := range rates {
			each = append(each, r/singly[i])
		}
		return times(median(each))
	}
	t := newTable(fmt.Sprintf("Restart with %d events in %d records (%d jobs, %d a day; half of the events from chains of 4 steps, half holds and releases; jobs leave the floor %v after their end)",
		made.events, made.records, made.jobs, jobsPerDay, floor.KeepEnded), "", "events/s", "ratio", "time")
	for _, r := range []struct {
		name  string
		rates []float64
	}{
		{"raw ordered read, a message for each event", singly},
		{"raw ordered read of the ledger, whose messages hold several", packed},
		{"full replay into a checked floor", full},
	} {
		t.row(r.name, fmt.Sprintf("%.0f", median(r.rates)), ratio(r.rates), fmt.Sprintf("%.2f s", float64(made.events)/median(r.rates)))
	}
	t.row("embedded server opens the stream", "", "", fmt.Sprintf("%.2f s", median(openBus)))
	t.row("tandemd start to serving, no snapshot", "", "", fmt.Sprintf("%.2f s", whole.serving.Seconds()))
	t.row("tandemd start to serving, with snapshot", "", "", fmt.Sprintf("%.2f s", median(with)))
	t.row("tandemd start to serving, empty ledger", "", "", fmt.Sprintf("%.2f s", empty.serving.Seconds()))
	_ = t.Flush()
	fmt.Println("  bars: full replay >= 0.5x of the raw read of a message for each event; serving with snapshot <= 1.5 s")
	return nil
}

// history is what a ledger holds.
type history struct{ events, records, jobs int }

// makeHistory runs an engine with instant devices until its ledger has enough events, in memory if there is a folder for that,
// because nothing is measured and every record is flushed. It leaves no snapshot.
func (b *bench) makeHistory(ctx context.Context, list []machine, data string) (history, error) {
	quick, remove, err := b.quickDir()
	if err != nil {
		return history{}, err
	}
	defer remove()
	made, err := writeHistory(ctx, list, quick, b.set.events)
	if err != nil {
		return made, err
	}
	return made, moveOut(quick, data)
}

// moveOut copies a store that was made elsewhere to a data directory.
func moveOut(store, data string) error {
	if err := os.CopyFS(filepath.Join(data, "bus"), os.DirFS(store)); err != nil {
		return err
	}
	return os.Remove(filepath.Join(data, "bus", bus.TokenFile)) // a copy is readable to others; the server makes a new one
}

// quickDir returns a folder in memory if there can be one, and what removes it.
func (b *bench) quickDir() (dir string, remove func(), err error) {
	if dir, err = os.MkdirTemp("/dev/shm", "tandem-peers-"); err != nil {
		dir, err = os.MkdirTemp(b.dir, "quick-")
	}
	return dir, func() { _ = os.RemoveAll(dir) }, err
}

// counted counts what is appended, and keeps no snapshot.
type counted struct {
	ledger.Ledger
	events, records atomic.Int64
}

func (c *counted) Append(ctx context.Context, rec *ledgerv1.Record) (ledger.Head, error) {
	c.events.Add(int64(len(rec.GetEvents())))
	c.records.Add(1)
	return c.Ledger.Append(ctx, rec)
}

func (c *counted) SaveSnapshot(context.Context, *ledgerv1.Snapshot) error { return nil }

// workdays is a clock by which so many jobs make a day.
type workdays struct {
	clock.Clock
	began time.Time
	jobs  *atomic.Int64
}

// Now implements clock.Clock.
func (w workdays) Now() time.Time {
	return w.began.Add(time.Duration(w.jobs.Load()) * 24 * time.Hour / jobsPerDay)
}

func writeHistory(ctx context.Context, list []machine, dir string, events int) (made history, err error) {
	server, l, err := openLedger(ctx, dir)
	if err != nil {
		return made, err
	}
	defer server.Shutdown()
	file := &tandemv1.FloorFile{}
	for _, m := range append([]machine{{id: "nobody"}}, list...) {
		file.Devices = append(file.Devices, &tandemv1.Device{
			Id: m.id, Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim", External: true},
			Abilities: []*tandemv1.Ability{{Operation: "print", UnattendedStart: &tandemv1.UnattendedStart{AllowedBy: "Marit", AllowTime: timestamppb.Now()}}},
		})
	}
	store := &counted{Ledger: l}
	var jobs atomic.Int64
	days := workdays{Clock: clock.Wall(), jobs: &jobs, began: time.Now().Add(-time.Duration(events/eventsPerJob) * 24 * time.Hour / jobsPerDay)}
	var eng *engine.Engine
	var sequence atomic.Uint64
	send := func(device string, o *driverv1.Order, answered func(*driverv1.Answer, error)) {
		go func() {
			answered(&driverv1.Answer{Epoch: o.GetEpoch()}, nil)
			g := o.GetGrant()
			if g == nil || !g.GetMayStart() {
				return
			}
			_ = eng.Status(ctx, device, &driverv1.Status{
				Epoch: 1, Sequence: sequence.Add(1), State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE,
				Runs: []*driverv1.RunStatus{{Run: g.GetRun(), Fence: g.GetFence(), State: tandemv1.JobState_JOB_STATE_COMPLETED, PiecesGood: g.GetPieces()}},
			}) // the engine stops at the end
		}()
	}
	if eng, err = engine.Open(ctx, engine.Options{Ledger: store, Clock: days, File: file, Period: time.Hour, Send: send}); err != nil {
		return made, err
	}
	running, stop := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- eng.Run(running) }()
	for _, m := range list {
		if _, err := eng.Hello(ctx, m.id, &driverv1.Status{Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE}); err != nil {
			stop()
			return made, err
		}
	}
	var writing sync.WaitGroup
	failed := make(chan error, historyCallers)
	for caller := range historyCallers {
		held := &tandemv1.Job{Id: fmt.Sprint("held-", caller), Pieces: 60, Steps: []*tandemv1.Step{{Id: "print", Operation: "print", Devices: []string{"nobody"}}}}
		if _, err := eng.Do(ctx, floor.Meta{Actor: "rip"}, floor.CreateJob{Job: held}); err != nil {
			stop()
			return made, err
		}
		writing.Go(func() {
			for ctx.Err() == nil && store.events.Load() < int64(events) {
				n := jobs.Add(1)
				err := writeSome(ctx, eng, fmt.Sprint("j", n), fmt.Sprint("held-", caller))
				if err == nil && n%archiveEach == 0 {
					_, err = eng.Do(ctx, floor.Meta{Actor: "daemon"}, floor.ArchiveJobs{EndedBefore: days.Now().Add(-floor.KeepEnded), Most: 2 * archiveEach})
				}
				if err != nil {
					failed <- err
					return
				}
			}
		})
	}
	writing.Wait()
	stop()
	err = <-ended
	select {
	case err = <-failed:
	default:
	}
	return history{int(store.events.Load()), int(store.records.Load()), int(jobs.Load())}, err
}

// writeSome hands in a chain, which devices do by themselves, and then holds and releases another job as often as to make
// about as many events again.
func writeSome(ctx context.Context, eng *engine.Engine, id, held string) error {
	j := chainJob(id, 0)
	for _, s := range j.GetSteps() {
		s.Mode, s.Devices = "", nil
	}
	if _, err := eng.Do(ctx, floor.Meta{Actor: "rip"}, floor.CreateJob{Job: j}); err != nil {
		return err
	}
	for range chainSteps {
		for _, c := range []floor.Command{floor.HoldJob{Job: held, Note: "waits for a file"}, floor.ReleaseJob{Job: held}} {
			if _, err := eng.Do(ctx, floor.Meta{Actor: "marit"}, c); err != nil {
				return err
			}
		}
	}
	return nil
}

// engineReplay is what the daemon does at its start.
func engineReplay(ctx context.Context, data string) (time.Duration, error) {
	server, l, err := openLedger(ctx, filepath.Join(data, "bus"))
	if err != nil {
		return 0, err
	}
	defer server.Shutdown()
	begin := time.Now()
	_, err = engine.Open(ctx, engine.Options{Ledger: l, Clock: clock.Wall(), Period: time.Hour, Send: func(string, *driverv1.Order, func(*driverv1.Answer, error)) {}})
	return time.Since(begin), err
}
