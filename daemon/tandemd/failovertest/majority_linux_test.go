package failovertest

import (
	"testing"
	"time"
)

// Two of three servers are lost: nothing can be stored, so no daemon leads and nobody is told that anything was taken in.
// When they are back, all goes on where it was, and printers that went on meanwhile are asked, not told to begin anew.
func TestMajorityLost(t *testing.T) {
	t.Parallel()
	c := newCluster(t, built, nil, nil)
	for i, at := range freePlaces(t, 2) {
		c.join([]string{"floor-a", "floor-b"}[i], at)
	}
	c.drive("")
	wire := c.listen("")
	c.allFollow(c.leader(60*time.Second, nil))
	before := c.submit(2, 100*time.Millisecond)
	eventually(t, 20*time.Second, "jobs are taken in", func() bool { return before.all() > 10 })
	before.stop()

	blow := time.Now()
	for _, s := range c.servers[1:] {
		s.kill()
	}
	nobody := func() bool { return !c.members[0].serves() && !c.members[1].serves() }
	stops := eventually(t, 4*time.Second, "no daemon leads", nobody)
	t.Logf("nobody leads %v after two servers were lost", stops.Round(time.Millisecond))
	during := c.submit(2, 100*time.Millisecond)
	for begin := time.Now(); time.Since(begin) < 3*time.Second; time.Sleep(20 * time.Millisecond) {
		if !nobody() {
			t.Fatal("a daemon leads with one server of three")
		}
	}
	if n := during.all(); n > 0 {
		t.Errorf("%d jobs were acknowledged with one server of three", n)
	}
	for _, s := range c.servers[1:] {
		s.start()
	}
	back := time.Now()
	eventually(t, 60*time.Second, "jobs are taken in again", func() bool { return during.all() > 10 })
	t.Logf("taken in again %v after the servers were back, %v after they were lost", time.Since(back).Round(time.Millisecond), time.Since(blow).Round(time.Millisecond))
	during.stop()
	for _, m := range c.members {
		if !m.running() {
			t.Errorf("%s has ended", m.name)
		}
	}
	c.finish(60 * time.Second)
	wire.check(t)
	c.judge("", before, during)
}

// all counts what was acknowledged.
func (w *crowd) all() int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return len(w.acked)
}
