package failovertest

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
	"time"

	"tandem/daemon/datadir"
	"tandem/daemon/ledger"
)

// The servers come back with stores of earlier, without what was acknowledged since. No daemon that was there goes on with that, also
// not the one that followed and keeps no history; and when the right stores are back, all goes on where it was.
func TestStoresOfYesterday(t *testing.T) {
	t.Parallel()
	c := newCluster(t, built, nil, nil)
	for i, at := range freePlaces(t, 2) {
		c.join([]string{"floor-a", "floor-b"}[i], at)
	}
	c.drive("")
	c.allFollow(c.leader(60*time.Second, nil))
	before := c.submit(2, 100*time.Millisecond)
	eventually(t, 20*time.Second, "jobs are taken in", func() bool { return before.all() > 5 })
	before.stop()
	c.stores(func(store string) { must(t, os.CopyFS(store+".yesterday", os.DirFS(store))) })

	since := c.submit(2, 100*time.Millisecond)
	eventually(t, 60*time.Second, "jobs are taken in again", func() bool { return since.all() > 5 })
	since.stop()
	eventually(t, 20*time.Second, "every daemon has had what was taken in", c.sameFollowed)
	swap := func(put, keep string) func(string) {
		return func(store string) {
			must(t, os.Rename(store, store+keep))
			must(t, os.Rename(store+put, store))
		}
	}
	c.stores(swap(".yesterday", ".today"))
	c.refused(1)
	for _, m := range c.members { // who had what is known to those that begin anew as well
		m.kill()
	}
	for _, m := range c.members {
		m.start()
	}
	c.refused(2)
	c.stores(swap(".today", ".lost"))
	c.leader(60*time.Second, nil)
	c.finish(60 * time.Second)
	c.judge("", before, since)
}

// sameFollowed says whether all daemons have noted the same record as their last.
func (c *cluster) sameFollowed() bool {
	var last ledger.Head
	for i, m := range c.members {
		note, err := ledger.OpenNote(filepath.Join(c.dir, m.name, filepath.FromSlash(datadir.Followed)))
		must(c.t, err)
		head := note.Head()
		must(c.t, note.Close())
		if i > 0 && (head.Revision != last.Revision || !bytes.Equal(head.Hash, last.Hash)) {
			return false
		}
		last = head
	}
	return true
}

// refused waits until each daemon has said so many times that the ledger lacks what was known, and sees that none leads.
func (c *cluster) refused(times int) {
	c.t.Helper()
	for _, m := range c.members {
		eventually(c.t, 60*time.Second, m.name+" refuses a ledger without what was acknowledged", func() bool { return m.said("was known") >= times })
	}
	for begin := time.Now(); time.Since(begin) < 8*time.Second; time.Sleep(20 * time.Millisecond) {
		for _, m := range c.members {
			if m.serves() {
				c.t.Fatalf("%s leads on a ledger that has lost what was acknowledged", m.name)
			}
		}
	}
}

// stores stops every server, does something with each one's store, and starts them again.
func (c *cluster) stores(do func(store string)) {
	c.t.Helper()
	for _, s := range c.servers {
		s.kill()
	}
	for _, s := range c.servers {
		do(s.store)
		s.start()
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
