package failovertest

import (
	"context"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"tandem/daemon/lead"
	"tandem/daemon/ledger"
)

// TestManyPartitions cuts off machines at random, as many times as TANDEM_PARTITIONS says, and prints where the time goes
// until somebody's job is acknowledged again and a driver has been given work. Each of three machines has a server, the first
// two a daemon; people and drivers are on a fourth, and the drivers begin with the first machine's server. Each time in two the
// machine of the daemon that leads is cut off.
func TestManyPartitions(t *testing.T) {
	n, err := strconv.Atoi(os.Getenv("TANDEM_PARTITIONS"))
	if err != nil {
		t.Skip("TANDEM_PARTITIONS says how many; it is no number")
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	chance := rand.New(rand.NewPCG(seed, 5))
	net, c := onMachines(t)
	first := c.leader(60*time.Second, nil)
	c.allFollow(first)
	c.drive(c.office)
	wire := c.listen(c.office)
	people := c.submit(2, 400*time.Millisecond) // no more than three printers get done
	eventually(t, 30*time.Second, "the first daemon acknowledges", func() bool { return people.by(first, time.Time{}) > 10 })

	took := map[string][]time.Duration{}
	note := func(what string, d time.Duration) { took[what] = append(took[what], d) }
	for i := range n {
		c.settled()
		time.Sleep(time.Duration(chance.IntN(2000)) * time.Millisecond) // at any moment of a lease
		old := c.leader(20*time.Second, nil)
		home := slices.Index(c.members, old) + 1
		cut, what := home, "daemon that leads"
		if chance.IntN(2) == 0 {
			for cut == home {
				cut = 1 + chance.IntN(3)
			}
			what = "another machine"
		}
		ledgers, leases := c.holder(ledger.StreamName), c.holder(lead.StreamName)
		lost := c.servers[cut-1]
		if ledgers == lost || leases == lost {
			what += " and a stream"
		}
		before := old.said(`"following"`)
		blow := time.Now()
		net.cut(cut)
		since := func() time.Duration { return time.Since(blow).Round(time.Millisecond) }
		look := c.elections(lost, blow)
		line := fmt.Sprintf("%2d: %s: machine %d is cut off (daemon on %d, ledger on %s, lease on %s)", i+1, what, cut, home, ledgers.name, leases.name)
		var acked time.Duration
		if cut == home {
			eventually(t, 5*time.Second, "the daemon that is cut off stops", func() bool { return !old.serves() })
			line += fmt.Sprintf("; it stops after %v", since())
			next := c.leader(40*time.Second, old)
			line += fmt.Sprintf("; %s leads after %v", next.name, since())
			var at time.Time
			eventually(t, 40*time.Second, "another daemon acknowledges", func() bool { at = people.firstAfter(blow, old); return !at.IsZero() })
			acked = at.Sub(blow)
			line += fmt.Sprintf("; acknowledged after %v", acked.Round(time.Millisecond))
		} else {
			acked = c.goesOn(people, blow)
			line += fmt.Sprintf("; the longest without an acknowledgement is %v", acked.Round(time.Millisecond))
		}
		note(what+": acknowledged", acked)
		var granted time.Duration
		eventually(t, 40*time.Second, "a driver is given work again", func() bool { granted = wire.pause(blow, acked); return granted > 0 })
		note(what+": grant taken", granted)
		t.Logf("%s; work taken after %v; streams %s", line, granted.Round(time.Millisecond), look())
		net.mend(cut)
		if cut == home {
			eventually(t, 60*time.Second, "the first follows again", func() bool { return old.said(`"following"`) > before })
		}
		c.whole()
	}
	people.stop()
	for _, what := range slices.Sorted(maps.Keys(took)) {
		all := took[what]
		slices.Sort(all)
		t.Logf("%-50s %2d times: p50 %v, max %v", what, len(all), all[len(all)/2].Round(time.Millisecond), all[len(all)-1].Round(time.Millisecond))
	}
	wire.check(t)
	c.judge(c.office, people)
	if len(people.lost) > 0 {
		t.Errorf("%d jobs were not answered within 30 s", len(people.lost))
	}
	c.finish(5 * time.Minute)
}

// elections watches when the streams that a lost server led have a leader among the others, and says so when it is asked.
func (c *cluster) elections(lost *server, blow time.Time) func() string {
	js := c.ask()
	ctx, cancel := context.WithCancel(c.t.Context())
	found := make(chan string, 2)
	for _, name := range []string{ledger.StreamName, lead.StreamName} {
		go func() {
			for ctx.Err() == nil {
				ask, stop := context.WithTimeout(ctx, 250*time.Millisecond)
				s, err := js.Stream(ask, name)
				stop()
				if err == nil && s.CachedInfo().Cluster != nil && s.CachedInfo().Cluster.Leader != "" && s.CachedInfo().Cluster.Leader != lost.name {
					found <- fmt.Sprintf("%s on %s after %v", name, s.CachedInfo().Cluster.Leader, time.Since(blow).Round(time.Millisecond))
					return
				}
			}
			found <- name + " on none seen"
		}()
	}
	return func() string {
		time.AfterFunc(5*time.Second, cancel)
		return <-found + ", " + <-found
	}
}

// settled waits until the cluster is as it is when nothing has happened for a while: the streams are led by another server
// than the one of the machine whose daemon leads.
func (c *cluster) settled() {
	c.t.Helper()
	c.whole()
	eventually(c.t, 60*time.Second, "the streams are led apart from the daemon that leads", func() bool {
		leads := c.leader(20*time.Second, nil)
		own := c.servers[slices.Index(c.members, leads)]
		home := c.holder(ledger.StreamName)
		return home != own && home == c.holder(lead.StreamName)
	})
}

// goesOn waits until jobs have been acknowledged for a while again, and returns the longest pause after the blow.
func (c *cluster) goesOn(w *crowd, blow time.Time) time.Duration {
	const calm = 6 * time.Second // longer than a lease, and than a standby that has to notice
	var longest time.Duration
	eventually(c.t, 60*time.Second, "the floor goes on", func() bool {
		w.mu.Lock()
		defer w.mu.Unlock()
		longest = 0
		last := blow
		for _, a := range w.acked {
			if a.at.After(blow) {
				longest, last = max(longest, a.at.Sub(last)), a.at
			}
		}
		longest = max(longest, time.Since(last))
		return time.Since(blow) > calm && time.Since(last) < time.Second
	})
	return longest
}

// pause returns the longest time after a moment in which drivers took nothing, up to the first that they took once a while
// had passed; zero: they have not yet.
func (w *wire) pause(moment time.Time, while time.Duration) (longest time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	last := moment
	for _, at := range w.taken {
		if at.After(moment) {
			longest, last = max(longest, at.Sub(last)), at
		}
		if at.Sub(moment) > while {
			return longest
		}
	}
	return 0
}
