package failovertest

import (
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"tandem/daemon/crashtest/volatile"
)

// The power fails just after a ledger was moved from the cluster to a folder, which has it: nobody goes on with the one in the cluster.
func TestWhatWasMovedLasts(t *testing.T) {
	t.Parallel()
	disk := volatile.ForTest(t, volatile.Folders)
	c := newCluster(t, built, nil, nil)
	old, back, at := filepath.Join(c.dir, "floor-a"), filepath.Join(disk.Path(), "new", "back"), freePlaces(t, 1)
	first := c.alone(old, at[0])
	c.handIn(at[0], "job-1")
	first.kill()
	for _, m := range []struct{ dir, to string }{{old, "cluster"}, {back, "data-dir"}} {
		if out, err := c.move(m.dir, m.to); err != nil {
			t.Fatalf("move to %s: %v\n%s", m.to, err, out)
		}
	}
	must(t, disk.Cut(nil))
	must(t, disk.Restart())
	if out, err := exec.Command(c.bin.daemon, "ledger", "verify", "--data-dir", back).CombinedOutput(); err != nil || !strings.Contains(string(out), "jobs          1,") {
		t.Errorf("after the cut: %v\n%s", err, out)
	}
}

// The power fails: for the whole building, for one computer, and for the building again, or as often as TANDEM_POWER_CUTS says. The servers'
// disks hold what had been synced, and of the rest a part. Everything acknowledged is there, and no step is done twice.
func TestPowerFails(t *testing.T) {
	t.Parallel()
	servers := threeServers(t)
	var disks []*volatile.Disk
	for _, s := range servers {
		d := volatile.ForTest(t, volatile.Journal)
		disks, s.store = append(disks, d), filepath.Join(d.Path(), "store")
	}
	c := newCluster(t, built, servers, nil)
	for i, at := range freePlaces(t, 2) {
		c.join([]string{"floor-a", "floor-b"}[i], at)
	}
	c.drive("")
	c.leader(60*time.Second, nil)
	const calm, rush = 400 * time.Millisecond, 20 * time.Millisecond // calm is no more than three printers get done
	people := c.submit(3, calm)
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	chance := rand.New(rand.NewPCG(seed, 12))
	fail := func(computers ...int) {
		t.Helper()
		already := people.all()
		people.pause.Store(int64(rush)) // so that the power fails in the middle of something
		eventually(t, 60*time.Second, "jobs are taken in", func() bool { return people.all() > already+10+chance.IntN(20) })
		for _, i := range computers {
			must(t, disks[i].Cut(chance))
		}
		for _, i := range computers {
			c.servers[i].kill()
			if i < len(c.members) {
				c.members[i].kill()
			}
		}
		people.pause.Store(int64(calm))
		for _, i := range computers {
			must(t, disks[i].Restart())
			c.servers[i].start()
			if i < len(c.members) {
				c.members[i].start()
			}
		}
	}
	cuts := 3
	if more, err := strconv.Atoi(os.Getenv("TANDEM_POWER_CUTS")); err == nil {
		cuts = more
	}
	for n := range cuts {
		if n%2 == 0 {
			fail(0, 1, 2)
		} else {
			fail(chance.IntN(len(c.servers)))
			c.whole()
		}
	}
	already := people.all()
	eventually(t, 60*time.Second, "jobs are taken in again", func() bool { return people.all() > already+10 })
	people.stop()
	c.finish(time.Minute + time.Duration(cuts)*15*time.Second)
	c.judge("", people)
}
