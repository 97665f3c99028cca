package failovertest

import (
	"testing"
	"time"
)

// Three machines on a switch, each with a server, two of them with a daemon. The one whose daemon leads is cut off
// with its server: that daemon cannot store anything any more and stops by itself, the other takes over, and when the
// cable is back the first one follows. All of it over TLS, as machines must.
func TestPartition(t *testing.T) {
	t.Parallel()
	net := newNetwork(t, 3)
	c := newCluster(t, built, net.servers(), newAuthority(t))
	a := c.join("floor-a", place{net.name(1), "127.0.0.1", 7431})
	first := c.leader(60*time.Second, nil)
	b := c.join("floor-b", place{net.name(2), "127.0.0.1", 7433})
	c.allFollow(first)
	third := net.name(3)
	c.office = third
	c.drive(third)
	wire := c.listen(third)
	people := c.submit(2, 200*time.Millisecond)
	eventually(t, 30*time.Second, "the first daemon acknowledges", func() bool { return people.by(a, time.Time{}) > 10 })
	before := a.said(`"following"`)
	c.settled()

	blow := time.Now()
	net.cut(1)
	stops := eventually(t, 3*time.Second, "the daemon that is cut off stops leading by itself", func() bool { return !a.serves() })
	if b.serves() {
		t.Error("the other leads before the one that is cut off has been seen to stop")
	}
	ended := time.Now()
	next, took := c.takesOver(people, a, blow, quick)
	t.Logf("the one cut off has stopped after %v", stops.Round(time.Millisecond))
	report(t, "a cut cable", took)
	if next != b {
		t.Fatalf("%s leads", next.name)
	}
	eventually(t, 20*time.Second, "the other acknowledges", func() bool { return people.by(b, blow) > 10 })
	if n := people.by(a, ended); n > 0 {
		t.Errorf("the daemon that is cut off has acknowledged %d jobs", n)
	}
	if a.serves() || !a.running() {
		t.Error("the daemon that is cut off serves, or has ended")
	}

	net.mend(1)
	eventually(t, 60*time.Second, "the first follows again", func() bool { return a.said(`"following"`) > before })
	c.whole()
	blow = time.Now()
	b.kill()
	_, took = c.takesOver(people, b, blow, quick)
	report(t, "kill -9 of the second, once the cable was back", took)
	b.start()

	people.stop()
	c.finish(60 * time.Second)
	wire.check(t)
	c.judge(third, people)
	if len(people.lost) > 0 {
		t.Errorf("%d jobs were not answered within 30 s", len(people.lost))
	}
}
