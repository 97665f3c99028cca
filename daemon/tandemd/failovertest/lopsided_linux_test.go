package failovertest

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"syscall"
	"testing"
	"time"
)

// deafen lets nothing that one machine sends reach another; what the other sends still comes. hear takes that back.
func (w *network) deafen(from, to int) { w.inside(from, "route", "add", "blackhole", w.host(to)+"/32") }

func (w *network) hear(from, to int) { w.inside(from, "route", "del", "blackhole", w.host(to)+"/32") }

// TestLopsidedPartitions cuts single ways between machines at random, as many times as TANDEM_LOPSIDED says: one machine does not
// reach another, or neither the other, while both reach the third; meanwhile a daemon or a server is killed or stopped. The next one
// may begin before the servers have caught up. It tells what stood still meanwhile, and when all is mended, nothing that was
// acknowledged is lost, and nothing was begun twice.
func TestLopsidedPartitions(t *testing.T) {
	n, err := strconv.Atoi(os.Getenv("TANDEM_LOPSIDED"))
	if err != nil {
		t.Skip("TANDEM_LOPSIDED says how many; it is no number")
	}
	seed := uint64(time.Now().UnixNano())
	if given, err := strconv.ParseUint(os.Getenv("TANDEM_SEED"), 10, 64); err == nil {
		seed = given
	}
	t.Logf("seed %d", seed)
	chance := rand.New(rand.NewPCG(seed, 9))
	net, c := onMachines(t)
	c.allFollow(c.leader(60*time.Second, nil))
	c.drive(c.office)
	wire := c.listen(c.office)
	people := c.submit(2, 400*time.Millisecond) // no more than three printers get done
	eventually(t, 30*time.Second, "jobs are taken in", func() bool { return people.all() > 5 })
	for i := range n {
		from := 1 + chance.IntN(3)
		to := 1 + (from+chance.IntN(2))%3
		ways := [][2]int{{from, to}}
		if chance.IntN(2) == 0 {
			ways = append(ways, [2]int{to, from})
		}
		blow := time.Now()
		for _, way := range ways {
			net.deafen(way[0], way[1])
		}
		what := fmt.Sprintf("%2d: %v", i+1, ways)
		time.Sleep(time.Duration(chance.IntN(4000)) * time.Millisecond)
		var undo func()
		switch victim := chance.IntN(5); chance.IntN(5) {
		case 0:
			p := c.process(victim)
			what += ", " + p.name + " killed"
			p.kill()
			undo = p.start
		case 1:
			p := c.process(victim)
			what += ", " + p.name + " stopped"
			p.signal(syscall.SIGSTOP)
			undo = func() { p.signal(syscall.SIGCONT) }
		}
		time.Sleep(time.Duration(1000+chance.IntN(9000)) * time.Millisecond)
		taken, worked := people.all(), wire.work(blow)
		for _, way := range slices.Backward(ways) {
			net.hear(way[0], way[1])
		}
		if undo != nil {
			undo()
		}
		t.Logf("%s, for %v: %d jobs acknowledged in all, %d runs begun meanwhile", what, time.Since(blow).Round(time.Millisecond), taken, worked)
		if chance.IntN(2) == 0 {
			c.whole()
			c.leader(60*time.Second, nil)
		}
	}
	c.whole()
	before := people.all()
	eventually(t, 60*time.Second, "jobs are taken in again", func() bool { return people.all() > before+3 })
	people.stop()
	c.finish(5 * time.Minute)
	v := c.judge(c.office, people)
	// Who listens on the bus does not hear everything here. The machines' own records count.
	if begun, steps := c.machinesBegan(), 2*len(v.created); begun != steps {
		t.Errorf("the machines have begun %d times, and there were %d steps", begun, steps)
	}
	t.Logf("%d jobs were not answered within 30 s", len(people.lost))
}

// machinesBegan is how many runs the simulated machines have begun in all, by what they keep themselves.
func (c *cluster) machinesBegan() (all int) {
	c.t.Helper()
	for _, id := range printers {
		content, err := os.ReadFile(filepath.Join(c.dir, "drivers", id, "machine.json"))
		must(c.t, err)
		var kept struct{ Begun int }
		must(c.t, json.Unmarshal(content, &kept))
		all += kept.Begun
	}
	return all
}

// process is one of the servers and daemons.
func (c *cluster) process(i int) *process {
	if i < len(c.servers) {
		return c.servers[i].process
	}
	return c.members[(i-len(c.servers))%len(c.members)].process
}
