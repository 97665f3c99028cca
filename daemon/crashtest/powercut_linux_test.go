package crashtest

import (
	"context"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"tandem/daemon/crashtest/volatile"
	"tandem/daemon/datadir"
	"tandem/proto/durable"
)

// machines have drivers in processes of their own.
var machines = []string{"printer-north", "printer-south", "combined-west", "laminator", "cutter-1", "cutter-2"}

// powerCut takes the power of the computer on which the daemon is, and some drivers, and gives it back.
func powerCut(t *testing.T, s *Shop, disk *volatile.Disk, chance *rand.Rand, drivers ...string) {
	t.Helper()
	must(t, disk.Cut(chance))
	_ = s.KillDaemon() // if it has not ended by itself
	for _, device := range drivers {
		_ = s.KillDriver(device)
	}
	must(t, disk.Restart())
}

// comeBack starts the daemon again, and looks whether it knows all that was acknowledged.
func comeBack(t *testing.T, s *Shop, l *Load) {
	t.Helper()
	must(t, s.Start(within(t, time.Minute)))
	must(t, l.CheckAccepted(within(t, time.Minute)))
}

// awaitRefused waits until so many syncs have failed.
func awaitRefused(t *testing.T, disk *volatile.Disk, syncs int) {
	t.Helper()
	must(t, poll(within(t, 30*time.Second), "a sync to fail", func(context.Context) (bool, error) { return disk.Refused() >= syncs, nil }))
}

// The power is cut under load, of the computer on which the daemon and all drivers are. What had not been synced is lost, or is there in part;
// everything acknowledged is there, and no machine begins anything twice.
func TestPowerCut(t *testing.T) {
	t.Parallel()
	disk := volatile.ForTest(t, volatile.Folders)
	s := openShop(t, filepath.Join(disk.Path(), "data"), machines)
	must(t, durable.MakeFolder(filepath.Join(disk.Path(), "devices"), 0o700))
	must(t, os.Symlink(filepath.Join(disk.Path(), "devices"), filepath.Join(s.cfg.Dir, "devices")))
	must(t, s.Start(within(t, time.Minute)))
	l := NewLoad(s, "power", 8, true)
	stop := working(t, l, 4)
	chance := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 8))
	cuts := 6
	if more, err := strconv.Atoi(os.Getenv("TANDEM_POWER_CUTS")); err == nil {
		cuts = more
	}
	for range cuts {
		awaitMore(t, l, 20+chance.IntN(200))
		powerCut(t, s, disk, chance, machines...)
		comeBack(t, s, l)
	}
	stop()
	closeBooks(t, s, l)
}

// awaitMore waits until the clients have made so many more requests.
func awaitMore(t *testing.T, l *Load, more int) {
	t.Helper()
	l.mu.Lock()
	already := l.Requests
	l.mu.Unlock()
	awaitRequests(t, l, already+more, time.Minute)
}

// A sync fails once, and what it was for can be read and is not on the disk: it is lost when the power is cut. What the daemon acknowledges after
// that is on the disk all the same.
func TestASyncFails(t *testing.T) {
	t.Parallel()
	disk := volatile.ForTest(t, volatile.Folders)
	s := openShop(t, filepath.Join(disk.Path(), "data"), machines)
	must(t, s.Start(within(t, time.Minute)))
	l := NewLoad(s, "sync", 9, true)
	stop := working(t, l, 4)
	chance := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 9))
	for round := range 4 {
		awaitMore(t, l, 100)
		disk.RefuseSync(func(path string) bool { return strings.HasSuffix(path, ".blk") })
		awaitRefused(t, disk, round+1)
		awaitMore(t, l, 100)
		powerCut(t, s, disk, chance)
		comeBack(t, s, l)
	}
	stop()
	closeBooks(t, s, l)
}

// The power is cut at the moment at which a command says that it is done, and takes all that no sync says is there: what it has made is there,
// and what it has removed is gone.
func TestPowerCutAfterACommand(t *testing.T) {
	t.Parallel()
	disk := volatile.ForTest(t, volatile.Folders)
	s := openShop(t, filepath.Join(disk.Path(), "data"), machines)
	client := buildClient(t)
	must(t, s.Start(within(t, time.Minute)))
	l := NewLoad(s, "command", 10, true)
	stop := working(t, l, 4)
	awaitRequests(t, l, 200, time.Minute)
	stop()
	must(t, l.AwaitWork(within(t, time.Minute)))
	cut := func() {
		t.Helper()
		must(t, disk.Cut(nil))
		must(t, disk.Restart())
	}
	file, again := filepath.Join(disk.Path(), "floor.tgz"), filepath.Join(disk.Path(), "again")

	runs(t, client, "--address", s.api, "backup", file)
	powerCut(t, s, disk, nil)
	runs(t, s.cfg.Program, "backup", "verify", file)

	runs(t, s.cfg.Program, "restore", file, "--data-dir", again)
	cut()
	runs(t, s.cfg.Program, "ledger", "verify", "--data-dir", again)

	must(t, s.Start(within(t, time.Minute)))
	must(t, s.StopDaemon())
	cut()
	must(t, datadir.LeaveWord(s.Data(), datadir.MovedFile, "It went on elsewhere.\n"))
	runs(t, s.cfg.Program, "ledger", "rebuild", "--data-dir", s.Data())
	cut()
	runs(t, s.cfg.Program, "ledger", "verify", "--data-dir", s.Data())
	must(t, s.Start(within(t, time.Minute)))
	closeBooks(t, s, l)
}

// runs lets a program do its work.
func runs(t *testing.T, program string, args ...string) {
	t.Helper()
	if out, err := exec.CommandContext(t.Context(), program, args...).CombinedOutput(); err != nil {
		t.Fatalf("%s %v: %v\n%s", filepath.Base(program), args, err, out)
	}
}

// The power is cut while a daemon opens its ledger, or a command makes one. The daemon starts again, and the command can be given again, as
// it says: nothing that is half made is taken for whole.
func TestPowerCutDuringACommand(t *testing.T) {
	t.Parallel()
	disk := volatile.ForTest(t, volatile.Folders)
	s := openShop(t, filepath.Join(disk.Path(), "data"), machines)
	must(t, s.Start(within(t, time.Minute)))
	l := NewLoad(s, "command", 11, true)
	stop := working(t, l, 4)
	awaitRequests(t, l, 300, time.Minute)
	stop()
	must(t, l.AwaitWork(within(t, time.Minute)))
	client, elsewhere := buildClient(t), t.TempDir()
	file, again := filepath.Join(elsewhere, "floor.tgz"), filepath.Join(disk.Path(), "again")
	runs(t, client, "--address", s.api, "backup", file)
	must(t, s.StopDaemon())
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	chance := rand.New(rand.NewPCG(seed, 11))
	// during lets the daemon's program begin something, and cuts the power before it is done, or just after.
	during := func(longest time.Duration, args ...string) {
		t.Helper()
		p, err := startProcess(filepath.Join(elsewhere, "cut.log"), s.cfg.Program, args...)
		must(t, err)
		time.Sleep(time.Duration(chance.Int64N(int64(longest))))
		must(t, disk.Cut(chance))
		_ = p.Kill()
		must(t, disk.Restart())
	}
	// remove removes what was restored for good: a loss of power must not bring a part of it back.
	remove := func() {
		t.Helper()
		must(t, os.RemoveAll(again))
		must(t, durable.SyncFolder(disk.Path()))
	}
	for range 3 {
		during(400*time.Millisecond, "serve", "--data-dir", s.Data(), "--floor", s.floor, "--listen", s.api, "--bus-listen", s.bus)
		must(t, s.Start(within(t, time.Minute)))
		must(t, s.StopDaemon())

		during(600*time.Millisecond, "ledger", "rebuild", "--data-dir", s.Data())
		runs(t, s.cfg.Program, "ledger", "rebuild", "--data-dir", s.Data())
		runs(t, s.cfg.Program, "ledger", "verify", "--data-dir", s.Data())

		during(600*time.Millisecond, "restore", file, "--data-dir", again)
		if out, err := exec.CommandContext(t.Context(), s.cfg.Program, "ledger", "verify", "--data-dir", again).CombinedOutput(); err != nil {
			if entries, _ := os.ReadDir(again); len(entries) > 0 && !strings.Contains(string(out), "remove the folder and restore again") {
				t.Fatalf("after a restore that was cut off: %v\n%s", err, out)
			}
			remove()
			runs(t, s.cfg.Program, "restore", file, "--data-dir", again)
			runs(t, s.cfg.Program, "ledger", "verify", "--data-dir", again)
		}
		remove()
	}
	must(t, s.Start(within(t, time.Minute)))
	closeBooks(t, s, l)
}

// buildClient builds the client for people.
func buildClient(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "tandem")
	runs(t, "go", "build", "-o", path, "tandem/clients/tandem")
	return path
}
