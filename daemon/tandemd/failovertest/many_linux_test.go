package failovertest

import (
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"syscall"
	"testing"
	"time"
)

// TestManyFailovers plays as many failovers at random as TANDEM_FAILOVERS says, and prints how long they took: from the
// blow until another daemon serves, and until it has acknowledged what somebody handed in.
func TestManyFailovers(t *testing.T) {
	n, err := strconv.Atoi(os.Getenv("TANDEM_FAILOVERS"))
	if err != nil {
		t.Skip("TANDEM_FAILOVERS says how many; it is no number")
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	chance := rand.New(rand.NewPCG(seed, 3))
	c := newCluster(t, built, nil, nil)
	for i, at := range freePlaces(t, 3) {
		c.join([]string{"floor-a", "floor-b", "floor-c"}[i], at)
	}
	c.drive("")
	wire := c.listen("")
	c.allFollow(c.leader(60*time.Second, nil))
	people := c.submit(2, 150*time.Millisecond)
	took := map[string][]time.Duration{}
	for range n {
		time.Sleep(time.Duration(500+chance.IntN(2500)) * time.Millisecond) // at any moment of a lease
		old := c.leader(20*time.Second, nil)
		before := old.said(`"following"`)
		what := []string{"kill -9", "kill -9", "stop and go on", "told to stop"}[chance.IntN(4)]
		blow := time.Now()
		switch what {
		case "kill -9":
			old.kill()
		case "told to stop":
			old.signal(syscall.SIGTERM)
		default:
			old.signal(syscall.SIGSTOP)
		}
		c.leader(20*time.Second, old)
		served := time.Since(blow)
		_, acked := c.takesOver(people, old, blow, quick+firstAttempt)
		took[what] = append(took[what], served)
		took["until acknowledged: "+what] = append(took["until acknowledged: "+what], acked)
		switch what {
		case "stop and go on":
			old.signal(syscall.SIGCONT)
		case "told to stop":
			<-old.gone
			old.start()
		default:
			old.start()
		}
		eventually(t, 30*time.Second, old.name+" follows again", func() bool { return old.said(`"following"`) > before })
		if what != "stop and go on" && served > quick {
			t.Errorf("%s: another served after %v", what, served)
		}
	}
	people.stop()
	for what, all := range took {
		slices.Sort(all)
		t.Logf("%-36s %2d times: p50 %v, max %v", what, len(all), all[len(all)/2].Round(time.Millisecond), all[len(all)-1].Round(time.Millisecond))
	}
	c.finish(5 * time.Minute)
	wire.check(t)
	c.judge("", people)
	if len(people.lost) > 0 {
		t.Errorf("%d jobs were not answered within 30 s", len(people.lost))
	}
}
