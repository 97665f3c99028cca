package crashtest

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"

	"tandem/daemon/crashtest/volatile"
	"tandem/drivers/ipp/ipptest"
	"tandem/proto/durable"
	tandemv1 "tandem/proto/tandem/v1"
)

// The machines of the yard, with drivers in processes of their own. Each has one operation.
const (
	lineCutter = "line-cutter" // behind a socket: takes bytes, and says when it is done
	pageMaker  = "page-printer"
	hotRouter  = "hot-router" // behind a folder that its software watches
)

var yardMachines = []string{lineCutter, pageMaker, hotRouter}

// yardFloor is its floor file: the place of the socket, of the printer, of the folder, and of the files, from left to right.
const yardFloor = `display_name: Yard
time_zone: UTC
people:
  - {id: marit, display_name: Marit, supervisor: true}
devices:
  - id: line-cutter
    driver: {kind: stream, settings: {address: "%[1]s", files: "%[4]s", done: answer, done-answer: "^DONE", check: 0s, stall-after: 24h}}
    abilities: [{operation: cut, per_piece: 10s}]
  - id: page-printer
    driver: {kind: ipp, settings: {uri: "%[2]s", documents: "%[4]s", poll: 1s, poll-slow: 2s}}
    abilities: [{operation: print, per_piece: 10s}]
  - id: hot-router
    driver: {kind: folder, settings: {folder: "%[3]s", files: "%[4]s", pickup: moves, done-file: "done/{name}", poll: 1s, stop-takes: 1h}}
    abilities: [{operation: route, per_piece: 10s}]
`

// yard is a shop with machines that other drivers than simulated ones drive. The first line of a file is its job.
type yard struct {
	*Shop
	load    *Load // starts machines
	files   string
	share   string // of the router
	printer *ipptest.Printer

	mu       sync.Mutex
	begun    map[string]int // by job: how often a machine has begun with its file
	whole    map[string]int // and how often it had all of it
	again    map[string]int // and how often a person has said that it is to be made once more
	taken    []string       // names of files by the router
	accepted []string
}

// The power of the computer with the daemon and the drivers is cut, while the machines go on. What was acknowledged is there. Each file
// is begun once, unless a person has said that it is to be made again.
func TestPowerCutBesideMachines(t *testing.T) {
	t.Parallel()
	disk := volatile.ForTest(t, volatile.Folders)
	y := openYard(t, disk)
	working := y.software(t)
	must(t, y.Start(within(t, time.Minute)))
	people, home := context.WithCancel(t.Context())
	var at sync.WaitGroup
	at.Go(func() { y.people(people, t) })
	t.Cleanup(func() { home(); at.Wait() })
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	chance := rand.New(rand.NewPCG(seed, 13))
	cuts := 4
	if more, err := strconv.Atoi(os.Getenv("TANDEM_POWER_CUTS")); err == nil {
		cuts = more
	}
	for range cuts {
		for range 2 + chance.IntN(3) {
			for _, m := range yardMachines {
				y.handIn(t, m)
			}
		}
		y.awaitBegun(t, 1+chance.IntN(5))
		time.Sleep(time.Duration(chance.IntN(60)) * time.Millisecond)
		kept := chance
		if chance.IntN(2) == 0 {
			kept = nil
		}
		must(t, disk.Cut(kept))
		_ = y.KillDaemon()
		for _, m := range yardMachines {
			_ = y.KillDriver(m)
		}
		working()
		must(t, disk.Restart())
		working = y.software(t)
		must(t, y.Start(within(t, time.Minute)))
		for _, id := range y.accepted {
			if _, err := y.Jobs.GetJob(within(t, time.Minute), &tandemv1.GetJobRequest{Id: id}, grpc.WaitForReady(true)); err != nil {
				t.Fatalf("job %s was acknowledged: %v", id, err)
			}
		}
	}
	y.finish(t)
	home()
	at.Wait()
	must(t, y.StopDaemon())
	for _, m := range yardMachines {
		_ = y.KillDriver(m)
	}
	working()
}

func openYard(t *testing.T, disk *volatile.Disk) *yard {
	t.Helper()
	path, err := program()
	must(t, err)
	y := &yard{files: t.TempDir(), share: filepath.Join(disk.Path(), "share"), printer: ipptest.New(), begun: map[string]int{}, whole: map[string]int{}, again: map[string]int{}}
	for _, dir := range []string{filepath.Join(y.share, "done"), filepath.Join(y.share, "work"), filepath.Join(disk.Path(), "devices")} {
		must(t, durable.MakeFolder(dir, 0o700))
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	go y.cutter(l)
	t.Cleanup(func() { _ = l.Close() })
	dir := t.TempDir()
	floor := filepath.Join(dir, "yard.yaml")
	must(t, os.WriteFile(floor, fmt.Appendf(nil, strings.ReplaceAll(yardFloor, "driver: {kind", "driver: {external: true, kind"), l.Addr(), y.printer.Serve(t), y.share, y.files), 0o600))
	must(t, os.Symlink(filepath.Join(disk.Path(), "devices"), filepath.Join(dir, "devices")))
	y.Shop = openFrom(t, Config{Program: path, Floor: floor, Dir: dir, Data: filepath.Join(disk.Path(), "data"), TimeScale: 20, Flags: []string{"--space-ballast", "1MiB"}})
	y.cfg.External = yardMachines // the floor file says so already
	y.load = NewLoad(y.Shop, "yard", 13, false)
	return y
}

// cutter is a machine behind a socket.
func (y *yard) cutter(l net.Listener) {
	for {
		c, err := l.Accept()
		if err != nil {
			return
		}
		go func() {
			defer c.Close()
			r := bufio.NewReader(c)
			job, err := r.ReadString('\n')
			if err != nil {
				return
			}
			job = strings.TrimSpace(job)
			y.count(y.begun, job)
			for line := ""; !strings.HasPrefix(line, "END"); {
				if line, err = r.ReadString('\n'); err != nil {
					return
				}
			}
			y.count(y.whole, job)
			time.Sleep(50 * time.Millisecond)
			_, _ = c.Write([]byte("DONE\n"))
			_, _ = r.ReadByte() // until the driver has heard it
		}()
	}
}

// software watches the router's folder until the function it returns is called. It is on the same computer, and keeps what it does.
func (y *yard) software(t *testing.T) (stop func()) {
	ctx, cancel := context.WithCancel(t.Context())
	var ended sync.WaitGroup
	work := filepath.Join(y.share, "work")
	ended.Go(func() {
		for ; ctx.Err() == nil; time.Sleep(20 * time.Millisecond) {
			in, _ := filepath.Glob(filepath.Join(y.share, "[^.]*.plt"))
			for _, name := range in {
				_ = os.Rename(name, filepath.Join(work, filepath.Base(name))) // or the next time, or the driver has taken it back
			}
			taken, _ := filepath.Glob(filepath.Join(work, "*"))
			if durable.SyncFolder(work) != nil {
				continue // what is not sure to be taken does not begin
			}
			for _, name := range taken {
				if body, err := os.ReadFile(name); err == nil {
					y.routed(filepath.Base(name), string(body))
					_ = os.Rename(name, filepath.Join(y.share, "done", filepath.Base(name)))
				}
			}
		}
	})
	return sync.OnceFunc(func() { cancel(); ended.Wait() })
}

// routed counts a file that the router has begun with. One that it finds in its work again is not begun anew.
func (y *yard) routed(name, body string) {
	y.mu.Lock()
	already := slices.Contains(y.taken, name)
	y.taken = append(y.taken, name)
	y.mu.Unlock()
	job, rest, _ := strings.Cut(body, "\n")
	if already {
		return
	}
	y.count(y.begun, job)
	if strings.HasSuffix(rest, "END\n") {
		y.count(y.whole, job)
	}
}

func (y *yard) count(in map[string]int, job string) {
	y.mu.Lock()
	defer y.mu.Unlock()
	in[job]++
}

// handIn hands in a job for a machine, until it is acknowledged.
func (y *yard) handIn(t *testing.T, machine string) {
	t.Helper()
	id := fmt.Sprintf("%s-%d", machine, len(y.accepted))
	body := id + "\n" + strings.Repeat("PD;\n", 20_000) + "END\n"
	name, operation, role := id+".plt", "cut", "cut"
	switch machine {
	case pageMaker:
		name, operation, role = id+".pdf", "print", "artwork"
	case hotRouter:
		operation = "route"
	}
	must(t, os.WriteFile(filepath.Join(y.files, name), []byte(body), 0o600))
	sum := sha256.Sum256([]byte(body))
	_, err := y.Jobs.CreateJob(within(t, time.Minute), &tandemv1.CreateJobRequest{RequestId: "in-" + id, Job: &tandemv1.Job{
		Id: id, Pieces: 1, Steps: []*tandemv1.Step{{Id: operation, Operation: operation, Documents: []*tandemv1.Document{{Role: role, Uri: name, Sha256: hex.EncodeToString(sum[:])}}}},
	}}, grpc.WaitForReady(true))
	must(t, err)
	y.accepted = append(y.accepted, id)
}

// books returns how often a machine has begun with a job, and had all of it.
func (y *yard) books(job string) (begun, whole, again int) {
	y.mu.Lock()
	defer y.mu.Unlock()
	begun, whole, again = y.begun[job], y.whole[job], y.again[job]
	y.printer.Do(func() {
		for _, j := range y.printer.Jobs {
			for _, d := range j.Documents {
				if strings.HasPrefix(string(d), job+"\n") {
					begun++
					if strings.HasSuffix(string(d), "END\n") {
						whole++
					}
				}
			}
		}
	})
	return begun, whole, again
}

// awaitBegun waits until machines have begun with some more files.
func (y *yard) awaitBegun(t *testing.T, more int) {
	t.Helper()
	all := func() (n int) {
		for _, id := range y.accepted {
			begun, _, _ := y.books(id)
			n += begun
		}
		return n
	}
	before := all()
	must(t, poll(within(t, time.Minute), "machines to begin", func(context.Context) (bool, error) { return all() >= before+more, nil }))
}

// people start machines, and where nobody knows what became of a run they look at the machine.
func (y *yard) people(ctx context.Context, t *testing.T) {
	for ; ctx.Err() == nil; time.Sleep(20 * time.Millisecond) {
		asking, enough := context.WithTimeout(ctx, patience)
		list, err := y.Devices.ListDevices(asking, &tandemv1.ListDevicesRequest{}, grpc.WaitForReady(true))
		if err == nil {
			for _, d := range list.GetDevices() {
				for _, r := range d.GetRuns() {
					switch {
					case slices.Contains(r.GetStateReasons(), "x-awaiting-start"):
						y.load.start(asking, r.GetRun())
					case slices.Contains(r.GetStateReasons(), "x-outcome-unknown") && d.GetLink() == tandemv1.Link_LINK_ONLINE:
						y.look(asking, t, d.GetId(), r)
					}
				}
			}
		}
		enough()
	}
}

// look is a person at a machine with a run of which nobody knows what became.
func (y *yard) look(ctx context.Context, t *testing.T, machine string, r *tandemv1.DeviceRun) {
	if machine == hotRouter {
		waiting, _ := filepath.Glob(filepath.Join(y.share, "*-"+r.GetRun()+".plt"))
		working, _ := filepath.Glob(filepath.Join(y.share, "work", "*-"+r.GetRun()+".plt"))
		if len(waiting)+len(working) > 0 {
			return // it is about to make it
		}
	}
	say := &tandemv1.ResolveRunRequest{Run: r.GetRun(), Outcome: tandemv1.ResolveRunRequest_OUTCOME_DONE, RequestId: "resolve-" + r.GetRun(), Actor: "marit"}
	begun, whole, again := y.books(r.GetJob())
	if whole == 0 {
		say.Outcome = tandemv1.ResolveRunRequest_OUTCOME_AGAIN
	}
	if _, err := y.Devices.ResolveRun(ctx, say); err != nil {
		return // it is asked again
	}
	t.Logf("%s: run %s of %s was begun %d times: %v", machine, r.GetRun(), r.GetJob(), begun, say.GetOutcome())
	if say.GetOutcome() == tandemv1.ResolveRunRequest_OUTCOME_AGAIN && begun > again {
		y.count(y.again, r.GetJob())
	}
}

// finish waits until all is made, and looks into the machines' books.
func (y *yard) finish(t *testing.T) {
	t.Helper()
	for _, id := range y.accepted {
		var job *tandemv1.Job
		err := poll(within(t, time.Minute), id, func(ctx context.Context) (_ bool, err error) {
			job, err = y.Jobs.GetJob(ctx, &tandemv1.GetJobRequest{Id: id}, grpc.WaitForReady(true))
			return job.GetEndTime() != nil, err
		})
		if err != nil {
			t.Fatalf("%v: %v", err, job)
		}
		begun, whole, again := y.books(id)
		if job.GetState() != tandemv1.JobState_JOB_STATE_COMPLETED || begun != 1+again || whole == 0 {
			t.Errorf("job %s is %v; a machine has begun with it %d times, %d times wholly, and was told to %d times more: %v", id, job.GetState(), begun, whole, again, job)
		}
	}
}
