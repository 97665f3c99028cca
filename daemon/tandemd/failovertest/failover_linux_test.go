package failovertest

import (
	"context"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	"tandem/daemon/ledger"
	tandemv1 "tandem/proto/tandem/v1"
)

// quick is how soon another daemon leads once the one that led is dead.
const quick = 5 * time.Second

// takesOver waits until another daemon acknowledges what people hand in, and returns it and how long that took.
func (c *cluster) takesOver(w *crowd, old *member, blow time.Time, within time.Duration) (*member, time.Duration) {
	c.t.Helper()
	var at time.Time
	eventually(c.t, within+10*time.Second, "another daemon acknowledges", func() bool {
		at = w.firstAfter(blow, old)
		return !at.IsZero()
	})
	took := at.Sub(blow)
	if took > within {
		c.t.Errorf("it took %v until another daemon acknowledged, want at most %v", took, within)
	}
	return c.leader(10*time.Second, old), took
}

// The daemon that leads is killed, comes back and follows; then it is stopped for a while; then one of the three servers
// is lost. People hand in jobs and printers work all the time.
func TestFailover(t *testing.T) {
	t.Parallel()
	c := newCluster(t, built, nil, nil)
	for i, at := range freePlaces(t, 2) {
		c.join([]string{"floor-a", "floor-b"}[i], at)
	}
	c.drive("")
	wire := c.listen("")
	first := c.leader(60*time.Second, nil)
	c.allFollow(first)
	people := c.submit(2, 200*time.Millisecond)
	eventually(t, 20*time.Second, "the first daemon acknowledges", func() bool { return people.by(first, time.Time{}) > 10 })

	for range 2 {
		old := c.leader(10*time.Second, nil)
		blow := time.Now()
		old.kill()
		next, took := c.takesOver(people, old, blow, quick)
		report(t, "kill -9", took)
		old.start()
		eventually(t, 20*time.Second, old.name+" follows again", func() bool { return next.serves() && !old.serves() && old.said("following") >= 2 })
	}

	t.Run("stopped for a while", func(t *testing.T) { c.stopForAWhile(people) })
	t.Run("a server is lost", func(t *testing.T) { c.loseServer(people) })

	people.stop()
	c.finish(60 * time.Second)
	wire.check(t)
	v := c.judge("", people)
	if len(people.lost) > 0 {
		t.Errorf("%d jobs were not answered within 30 s", len(people.lost))
	}
	if len(v.leaders) < 4 {
		t.Errorf("%d terms, want at least 4: who led was changed three times", len(v.leaders))
	}
}

// stopForAWhile stops the daemon that leads until another does, and lets it go on: it believes that it leads until it looks.
func (c *cluster) stopForAWhile(people *crowd) {
	t := c.t
	old := c.leader(10*time.Second, nil)
	before := old.said(`"following"`)
	// A client of the old one alone, connected before, as one that has not heard of the other.
	conn, err := grpc.NewClient(old.clients.String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	direct := tandemv1.NewJobServiceClient(conn)
	if _, err := direct.ListJobs(t.Context(), &tandemv1.ListJobsRequest{PageSize: 1}); err != nil {
		t.Fatal(err)
	}
	old.signal(syscall.SIGSTOP)
	old.stopped()
	blow := time.Now()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	type answer struct {
		id  string
		err error
	}
	answers := make(chan answer, 20)
	for i := range cap(answers) { // they wait in its socket until it goes on
		go func() {
			id := "stale-" + string(rune('a'+i))
			_, err := direct.CreateJob(ctx, &tandemv1.CreateJobRequest{RequestId: id, Job: &tandemv1.Job{
				Id: id, Pieces: 1, Steps: []*tandemv1.Step{{Id: "print", Operation: "print"}},
			}})
			answers <- answer{id, err}
		}()
	}
	next, took := c.takesOver(people, old, blow, quick+firstAttempt)
	report(t, "SIGSTOP, for those who waited for its answer", took)
	old.signal(syscall.SIGCONT)
	goes := time.Now()
	for range cap(answers) {
		a := <-answers
		if status.Code(a.err) != codes.Unavailable {
			t.Errorf("a daemon that no longer leads answers %s with %v, want UNAVAILABLE", a.id, a.err)
		}
	}
	eventually(t, 10*time.Second, old.name+" follows again", func() bool { return old.said(`"following"`) > before })
	t.Logf("it follows again %v after it went on", time.Since(goes).Round(time.Millisecond))
	if old.serves() || !next.serves() || !old.running() {
		t.Errorf("%s serves: %t, %s serves: %t; want only the second", old.name, old.serves(), next.name, next.serves())
	}
	if n := people.by(old, blow); n > 0 {
		t.Errorf("%s has acknowledged %d jobs after another had taken over", old.name, n)
	}
}

// firstAttempt is how long a client waits for one who does not answer before it asks another.
const firstAttempt = 4 * time.Second

// loseServer kills the server that leads the ledger's stream, under load: nothing can be stored until the two others have
// chosen another, which takes them 4 to 9 s (the election timeout of nats-server, from its source).
func (c *cluster) loseServer(people *crowd) {
	t := c.t
	s := c.holder(ledger.StreamName)
	blow := time.Now()
	s.kill()
	n := 0
	count := func() int { return people.by(c.members[0], blow) + people.by(c.members[1], blow) }
	eventually(t, 40*time.Second, "the floor goes on without "+s.name, func() bool { n = count(); return n > 10 })
	t.Logf("without %s: %d jobs acknowledged in %v", s.name, n, time.Since(blow).Round(time.Millisecond))
	s.start()
	c.whole()
	c.leader(20*time.Second, nil)
}
