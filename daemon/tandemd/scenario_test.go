package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/bus"
	"tandem/drivers"
	"tandem/drivers/sim"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// The scenarios are what goes wrong in a shop, played from end to end: the daemon with its ledger on disk and its bus, drivers of
// simulated machines on their host, and clients of the API. Clocks run a hundred times as fast as the wall's.

// patience is how long a scenario waits for what must happen.
const patience = 60 * time.Second

// scene is a floor of a scenario. Its daemon can be stopped and opened again over the same folder; machines are, as far as the daemon
// is concerned, driven by processes of their own, and live on without it.
type scene struct {
	*testing.T
	clients
	cfg      daemonConfig
	bus      string // address of the bus
	stop     func() // the daemon
	machines map[string]*machine
	request  int
}

func newScene(t *testing.T, file *tandemv1.FloorFile, change ...func(*daemonConfig)) *scene {
	t.Helper()
	s := &scene{T: t, bus: freeAddress(t), machines: map[string]*machine{}}
	s.cfg = daemonConfig{DataDir: t.TempDir(), Listen: "127.0.0.1:0", BusListen: s.bus, TimeScale: 100, File: file, Log: zap.NewNop()}
	for _, c := range change {
		c(&s.cfg)
	}
	s.open()
	for _, d := range file.GetDevices() {
		if d.GetDriver().GetExternal() {
			s.machines[d.GetId()] = newMachine(s, d)
		}
	}
	t.Cleanup(func() {
		for _, m := range s.machines {
			m.stop()
		}
		s.stop()
	})
	return s
}

// open starts the daemon.
func (s *scene) open() {
	s.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	at, ended := make(chan address, 1), make(chan error, 1)
	cfg := s.cfg
	go func() { ended <- serve(ctx, cfg, func(a address) { at <- a }) }()
	select {
	case a := <-at:
		conn, err := grpc.NewClient(a.API, grpc.WithTransportCredentials(insecure.NewCredentials()))
		if err != nil {
			s.Fatal(err)
		}
		s.clients = clientsOf(conn)
		s.stop = sync.OnceFunc(func() {
			_ = conn.Close()
			cancel()
			if err := <-ended; err != nil {
				s.Error(err)
			}
		})
	case err := <-ended:
		cancel()
		s.Fatal(err)
	}
}

// reopen stops the daemon and starts it over the same folder.
func (s *scene) reopen() {
	s.Helper()
	s.stop()
	s.open()
}

// machine is a simulated machine with its driver, and what has been seen of it.
type machine struct {
	*sim.Device
	stop func() // the driver; the machine works on

	start func()
	mu    sync.Mutex
	last  *driverv1.Status
	begun []string // runs that were at work, in their order
}

func newMachine(s *scene, d *tandemv1.Device) *machine {
	m := &machine{}
	m.start = func() {
		s.Helper()
		kind := sim.Kind()
		kind.New = func(env drivers.Env, given map[string]string) (drivers.Driver, error) {
			device, err := sim.New(env, given)
			m.Device = device
			return m, err
		}
		state := filepath.Join(s.cfg.DataDir, "machines", d.GetId())
		if err := os.MkdirAll(state, 0o700); err != nil {
			s.Fatal(err)
		}
		env := drivers.Env{Device: d.GetId(), Capacity: 1, StateDir: state}
		for _, a := range d.GetAbilities() {
			env.Operations = append(env.Operations, a.GetOperation())
		}
		host, err := drivers.NewHost(kind, env, d.GetDriver().GetSettings())
		if err != nil {
			s.Fatal(err)
		}
		conn, err := bus.Dial("nats://"+s.bus, filepath.Join(s.cfg.DataDir, "bus", "driver-token"), d.GetId())
		if err != nil {
			s.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		ended := make(chan error, 1)
		go func() { ended <- host.Run(ctx, conn) }()
		m.stop = sync.OnceFunc(func() {
			cancel()
			if err := <-ended; err != nil {
				s.Error(err)
			}
			conn.Close()
		})
	}
	m.start()
	return m
}

// Run implements drivers.Driver: it is the machine's own driver, overheard.
func (m *machine) Run(ctx context.Context, orders <-chan *driverv1.Order, report func(*driverv1.Status)) error {
	return m.Device.Run(ctx, orders, func(st *driverv1.Status) {
		m.mu.Lock()
		m.last = proto.CloneOf(st)
		for _, r := range st.GetRuns() {
			if r.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING && !slices.Contains(m.begun, r.GetRun()) {
				m.begun = append(m.begun, r.GetRun())
			}
		}
		m.mu.Unlock()
		report(st)
	})
}

// runs returns the machine's runs as its driver reported them last.
func (m *machine) runs() []*driverv1.RunStatus {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.last.GetRuns()
}

// midway waits until one of the machines has made so many pieces of a run, as its driver knows and the daemon perhaps does not yet, and
// returns the machine and the run.
func (s *scene) midway(pieces int32, machines ...string) (m *machine, run *driverv1.RunStatus) {
	s.Helper()
	s.until(fmt.Sprintf("%d pieces are made", pieces), func() bool {
		for _, id := range machines {
			m = s.machines[id]
			for _, run = range m.runs() {
				if run.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING && run.GetPiecesGood() >= pieces {
					return true
				}
			}
		}
		return false
	})
	return m, run
}

// started returns the runs that have ever been at work on the machine.
func (m *machine) started() []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.begun)
}

// until waits for what must happen.
func (s *scene) until(what string, ok func() bool) {
	s.Helper()
	for deadline := time.Now().Add(patience); !ok(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			s.Fatalf("%s: not within %v", what, patience)
		}
	}
}

func (s *scene) job(id string) *tandemv1.Job {
	s.Helper()
	j, err := s.jobs.GetJob(s.Context(), &tandemv1.GetJobRequest{Id: id})
	if err != nil {
		s.Fatal(err)
	}
	return j
}

// step returns a step of a job.
func (s *scene) step(job, step string) *tandemv1.Step {
	s.Helper()
	j := s.job(job)
	i := slices.IndexFunc(j.GetSteps(), func(t *tandemv1.Step) bool { return t.GetId() == step })
	if i < 0 {
		s.Fatalf("%s has no step %s: %v", job, step, j)
	}
	return j.GetSteps()[i]
}

// stepUntil waits until a step is as it should be.
func (s *scene) stepUntil(what, job, step string, ok func(*tandemv1.Step) bool) *tandemv1.Step {
	s.Helper()
	var last *tandemv1.Step
	for deadline := time.Now().Add(patience); ; time.Sleep(5 * time.Millisecond) {
		if last = s.step(job, step); ok(last) {
			return last
		}
		if time.Now().After(deadline) {
			s.Fatalf("%s: not within %v; the step is %v", what, patience, last)
		}
	}
}

func (s *scene) device(id string) *tandemv1.Device {
	s.Helper()
	d, err := s.devices.GetDevice(s.Context(), &tandemv1.GetDeviceRequest{Id: id})
	if err != nil {
		s.Fatal(err)
	}
	return d
}

func (s *scene) status() *tandemv1.Status {
	s.Helper()
	st, err := s.admin.GetStatus(s.Context(), &tandemv1.GetStatusRequest{})
	if err != nil {
		s.Fatal(err)
	}
	return st
}

// next returns a request id that has not been used.
func (s *scene) next() string {
	s.request++
	return fmt.Sprintf("request-%d", s.request)
}

func (s *scene) create(job *tandemv1.Job) *tandemv1.Job {
	s.Helper()
	made, err := s.jobs.CreateJob(s.Context(), &tandemv1.CreateJobRequest{Job: job, RequestId: s.next()})
	if err != nil {
		s.Fatal(err)
	}
	return made
}

// begin starts a run for a person; a driver that has just been given it may have to be waited for.
func (s *scene) begin(run string) {
	s.Helper()
	request := s.next()
	s.until("starting "+run, func() bool {
		_, err := s.devices.StartRun(s.Context(), &tandemv1.StartRunRequest{Run: run, RequestId: request, Actor: "marit"})
		if err != nil && status.Code(err) != codes.FailedPrecondition {
			s.Fatal(err)
		}
		return err == nil
	})
}

// types returns the types of the events of a job or a device, in their order.
func (s *scene) types(job, device string) []string {
	s.Helper()
	events, err := s.events.ListEvents(s.Context(), &tandemv1.ListEventsRequest{Job: job, Device: device, PageSize: 1000})
	if err != nil {
		s.Fatal(err)
	}
	var out []string
	for _, c := range events.GetCommits() {
		for _, e := range c.GetCommit().GetEvents() {
			out = append(out, e.GetType())
		}
	}
	return out
}

func has(list []string, part string) bool {
	return slices.ContainsFunc(list, func(s string) bool { return strings.Contains(s, part) })
}

func isCompleted(s *tandemv1.Step) bool { return s.GetState() == tandemv1.JobState_JOB_STATE_COMPLETED }

// unknown is a step of whose run nobody knows how far it got.
func unknown(s *tandemv1.Step) bool { return slices.Contains(s.GetStateReasons(), "x-outcome-unknown") }

// printer is a simulated printer that takes five seconds for a piece and may begin with nobody there.
func printer(id string, external bool, faults string) *tandemv1.Device {
	d := &tandemv1.Device{
		Id: id, Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim", External: external, Settings: map[string]string{"help-after": "0s"}},
		Abilities: []*tandemv1.Ability{{
			Operation: "print", PerPiece: durationpb.New(5 * time.Second),
			UnattendedStart: &tandemv1.UnattendedStart{AllowedBy: "marit", AllowTime: timestamppb.New(time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC))},
		}},
	}
	if faults != "" {
		d.Driver.Settings["faults"] = faults
	}
	return d
}

// cutter is a simulated cutter that takes a second for a piece and is started by a person.
func cutter(id string, external bool, faults string) *tandemv1.Device {
	d := printer(id, external, faults)
	d.Abilities = []*tandemv1.Ability{{Operation: "cut", PerPiece: durationpb.New(time.Second)}}
	return d
}

func shopOf(devices ...*tandemv1.Device) *tandemv1.FloorFile {
	return &tandemv1.FloorFile{Devices: devices, People: []*tandemv1.Person{{Id: "marit", DisplayName: "Marit", Supervisor: true}}}
}

// decals is a job of sixty that are printed and cut.
func decals() *tandemv1.Job {
	return &tandemv1.Job{Id: "decals", Pieces: 60, Steps: []*tandemv1.Step{
		{Id: "print", Operation: "print"}, {Id: "cut", Operation: "cut", After: []string{"print"}},
	}}
}
