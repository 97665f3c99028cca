package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"

	"tandem/daemon/bus"
	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// tandemPeer is the daemon in a process of its own, and drivers of instant machines in this one, as the peers' workers are,
// that talk to it over NATS on loopback.
type tandemPeer struct {
	daemon *daemon
	jobs   tandemv1.JobServiceClient
	crew   *crew
	done   waiters
}

const tandemNote = "tandem: ledger synced on every record, gRPC, 400 external devices on 4 NATS connections, jobs of 4 steps, unattended starts; each step names its device, in turn, because a driver is heard 40 times a second at most"

const chainDevices = 100 // for each step of a chain

// newTandemPeer starts a daemon whose devices do the steps of chains at once.
func newTandemPeer(ctx context.Context, b *bench) (*tandemPeer, error) {
	var list []machine
	for step := range chainSteps {
		for i := range chainDevices {
			list = append(list, machine{id: fmt.Sprintf("printer-%d-%d", step, i), mode: modeOf(step)})
		}
	}
	p := &tandemPeer{}
	var err error
	if p.daemon, err = b.startDaemon(ctx, b.floorFile("chain", list), filepath.Join(b.dir, "tandem")); err != nil {
		return nil, err
	}
	p.jobs = tandemv1.NewJobServiceClient(p.daemon.conn)
	p.crew = newCrew(func(m *worker, g *driverv1.Grant) { m.finish(g) }, func(job, step string) {
		if step == stepID(lastStep) {
			p.done.finish(job)
		}
	})
	return p, p.crew.start(ctx, b, p.daemon, list)
}

func modeOf(step int) string { return fmt.Sprint("pass-", step) }
func stepID(step int) string { return fmt.Sprint("print-", step) }

// submit hands in a job for a device that never comes.
func (p *tandemPeer) submit(ctx context.Context, n int64) error {
	id := p.done.unique("s", n)
	_, err := p.jobs.CreateJob(ctx, &tandemv1.CreateJobRequest{Job: submitJob(id), RequestId: id})
	return err
}

func submitJob(id string) *tandemv1.Job {
	j := chainJob(id, 0)
	for i, s := range j.GetSteps() {
		s.Mode, s.Devices = "", []string{"nobody"}
		s.Operation = []string{"print", "dry", "laminate", "cut"}[i]
	}
	return j
}

func chainJob(id string, n int64) *tandemv1.Job {
	j := &tandemv1.Job{Id: id, Pieces: 60}
	for i := range chainSteps {
		s := &tandemv1.Step{Id: stepID(i), Operation: "print", Mode: modeOf(i), Devices: []string{fmt.Sprintf("printer-%d-%d", i, n%chainDevices)}}
		if i > 0 {
			s.After = []string{stepID(i - 1)}
		}
		j.Steps = append(j.Steps, s)
	}
	return j
}

// chain hands in a job and waits until the daemon has told the last step's driver that its end is recorded.
func (p *tandemPeer) chain(ctx context.Context, n int64) error {
	id := p.done.unique("c", n)
	done := p.done.add(id)
	if _, err := p.jobs.CreateJob(ctx, &tandemv1.CreateJobRequest{Job: chainJob(id, n), RequestId: id}); err != nil {
		return err
	}
	return wait(ctx, done)
}

// machine is a device of a floor.
type machine struct{ id, mode string }

// floorFile writes a floor of printers that may start unattended, and one device that never comes.
func (b *bench) floorFile(name string, list []machine) string {
	var s strings.Builder
	s.WriteString("devices:\n  - {id: nobody, driver: {kind: sim, external: true}, abilities: [{operation: print}, {operation: dry}, {operation: laminate}, {operation: cut}]}\n")
	for _, m := range list {
		mode := ""
		if m.mode != "" {
			mode = fmt.Sprintf("modes: [%s], ", m.mode)
		}
		fmt.Fprintf(&s, "  - {id: %s, driver: {kind: sim, external: true}, abilities: [{operation: print, %sper_piece: 1s, "+
			"unattended_start: {allowed_by: Marit, allow_time: 2026-03-02T07:30:00+01:00}}]}\n", m.id, mode)
	}
	s.WriteString("people:\n  - {id: marit, display_name: Marit, supervisor: true}\n")
	path := filepath.Join(b.dir, name+".yaml")
	if err := os.WriteFile(path, []byte(s.String()), 0o600); err != nil {
		panic(err) // a folder that was made a moment ago
	}
	return path
}

// crew are drivers of instant machines.
type crew struct {
	granted func(*worker, *driverv1.Grant)
	settled func(job, step string)
	workers map[string]*worker
	ready   sync.WaitGroup
}

func newCrew(granted func(*worker, *driverv1.Grant), settled func(job, step string)) *crew {
	return &crew{granted: granted, settled: settled, workers: map[string]*worker{}}
}

// worker is the driver of one instant machine.
type worker struct {
	crew   *crew
	id     string
	report func(*driverv1.Status)
	once   sync.Once

	mu    sync.Mutex
	grant *driverv1.Grant // in hand
	ended bool
}

// start connects a driver for each machine, with the host that every driver has, and waits until the daemon has greeted all.
func (c *crew) start(ctx context.Context, b *bench, d *daemon, list []machine) error {
	const connections = 4
	ctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	var running sync.WaitGroup
	var conns []*nats.Conn
	b.later(func() {
		cancel()
		running.Wait()
		for _, nc := range conns {
			nc.Close()
		}
	})
	for range connections {
		nc, err := bus.Dial("nats://"+d.bus, filepath.Join(d.data, "bus", bus.TokenFile), "peers")
		if err != nil {
			return err
		}
		conns = append(conns, nc)
	}
	for i, m := range list {
		w := &worker{crew: c, id: m.id}
		c.workers[m.id] = w
		c.ready.Add(1)
		kind := drivers.Kind{Name: "instant", New: func(drivers.Env, map[string]string) (drivers.Driver, error) { return w, nil }}
		host, err := drivers.NewHost(kind, drivers.Env{Device: m.id, Capacity: 1, Operations: []string{"print"}, Log: zap.NewNop()}, nil)
		if err != nil {
			return err
		}
		running.Go(func() {
			if err := host.Run(ctx, conns[i%connections]); err != nil {
				fmt.Fprintln(os.Stderr, "peers: driver:", err)
			}
		})
	}
	c.ready.Wait()
	devices := tandemv1.NewDeviceServiceClient(d.conn)
	return await(ctx, "drivers", time.Minute, func(ctx context.Context) error {
		online := 0
		for token := ""; ; {
			page, err := devices.ListDevices(ctx, &tandemv1.ListDevicesRequest{PageSize: 1000, PageToken: token})
			if err != nil {
				return err
			}
			for _, v := range page.GetDevices() {
				if v.GetLink() == tandemv1.Link_LINK_ONLINE {
					online++
				}
			}
			if token = page.GetNextPageToken(); token == "" {
				break
			}
		}
		if online < len(list) {
			return fmt.Errorf("%d of %d drivers are online", online, len(list))
		}
		return nil
	})
}

// Run implements drivers.Driver.
func (w *worker) Run(ctx context.Context, orders <-chan *driverv1.Order, report func(*driverv1.Status)) error {
	w.mu.Lock()
	w.report = report
	w.mu.Unlock()
	w.tell()
	w.once.Do(w.crew.ready.Done)
	for {
		select {
		case <-ctx.Done():
			return nil
		case o := <-orders:
			switch k := o.GetKind().(type) {
			case *driverv1.Order_Grant:
				w.take(k.Grant)
			case *driverv1.Order_Settle:
				w.forget(k.Settle.GetRun())
			}
		}
	}
}

func (w *worker) take(g *driverv1.Grant) {
	w.mu.Lock()
	fresh := (w.grant == nil || w.grant.GetRun() != g.GetRun()) && g.GetMayStart()
	if fresh {
		w.grant, w.ended = g, false
	}
	w.mu.Unlock()
	if fresh {
		w.crew.granted(w, g)
	}
}

func (w *worker) forget(run string) {
	w.mu.Lock()
	g := w.grant
	if g == nil || g.GetRun() != run {
		w.mu.Unlock()
		return
	}
	w.grant = nil
	w.mu.Unlock()
	if w.crew.settled != nil {
		w.crew.settled(g.GetJob(), g.GetStep())
	}
}

// finish reports the run in hand completed.
func (w *worker) finish(g *driverv1.Grant) {
	w.mu.Lock()
	if w.grant == g {
		w.ended = true
	}
	w.mu.Unlock()
	w.tell()
}

// tell reports the whole truth.
func (w *worker) tell() {
	w.mu.Lock()
	defer w.mu.Unlock()
	s := &driverv1.Status{
		State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Phase: tandemv1.DevicePhase_DEVICE_PHASE_IDLE, Link: tandemv1.Link_LINK_ONLINE,
	}
	if g := w.grant; g != nil {
		r := &driverv1.RunStatus{Run: g.GetRun(), Fence: g.GetFence(), State: tandemv1.JobState_JOB_STATE_PROCESSING}
		s.State, s.Phase = tandemv1.DeviceState_DEVICE_STATE_PROCESSING, tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION
		if w.ended {
			r.State, r.PiecesGood = tandemv1.JobState_JOB_STATE_COMPLETED, g.GetPieces()
			s.State, s.Phase = tandemv1.DeviceState_DEVICE_STATE_IDLE, tandemv1.DevicePhase_DEVICE_PHASE_IDLE
		}
		s.Runs = append(s.Runs, r)
	}
	w.report(s)
}
