package failovertest

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"tandem/daemon/crashtest/volatile"
)

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
	people := c.submit(3, 20*time.Millisecond)
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	chance := rand.New(rand.NewPCG(seed, 12))
	fail := func(computers ...int) {
		t.Helper()
		already := people.all()
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
