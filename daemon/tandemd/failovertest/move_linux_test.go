package failovertest

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"tandem/daemon/lead"
	"tandem/daemon/ledger"
	tandemv1 "tandem/proto/tandem/v1"
)

var headLine = regexp.MustCompile(`head: revision \d+, term \d+, SHA-256 [0-9a-f]{64}`)

// alone starts a daemon that keeps its ledger itself.
func (c *cluster) alone(dir string, at place) *process {
	c.t.Helper()
	return startProcess(c.t, "", "alone", c.bin.daemon, "serve", "--data-dir", dir, "--floor", c.floor, "--listen", at.String(), "--bus-listen", "",
		"--plan-search", "off", "--log-format", "json")
}

// move moves the ledger of a folder to the cluster, or that of the cluster to a folder.
func (c *cluster) move(dir, to string) (string, error) {
	c.t.Helper()
	defer func(begin time.Time) {
		c.t.Logf("move --to %s took %v", to, time.Since(begin).Round(time.Millisecond))
	}(time.Now())
	for deadline := time.Now().Add(30 * time.Second); ; {
		out, err := exec.Command(c.bin.daemon, "ledger", "move", "--to", to, "--data-dir", dir, "--cluster", c.urls(""), "--name", "mover",
			"--credentials", filepath.Join(c.dir, "credentials")).CombinedOutput()
		if err == nil || !choosing(out) || time.Now().After(deadline) {
			return string(out), err
		}
	}
}

// choosing reports whether a command has met servers that were choosing who leads a stream: they say so, or nothing. One tries again.
func choosing(said []byte) bool {
	return bytes.Contains(said, []byte("temporarily unavailable")) || bytes.Contains(said, []byte("deadline exceeded"))
}

// jobsAt asks one daemon, and waits for it.
func (c *cluster) jobsAt(at place) tandemv1.JobServiceClient {
	c.t.Helper()
	conn, err := grpc.NewClient(at.String(), grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithDefaultCallOptions(grpc.WaitForReady(true)))
	if err != nil {
		c.t.Fatal(err)
	}
	c.t.Cleanup(func() { _ = conn.Close() })
	return tandemv1.NewJobServiceClient(conn)
}

// handIn hands a job in at one daemon.
func (c *cluster) handIn(at place, id string) {
	c.t.Helper()
	jobs := c.jobsAt(at)
	eventually(c.t, 30*time.Second, id+" is taken in", func() bool {
		_, err := jobs.CreateJob(c.t.Context(), &tandemv1.CreateJobRequest{RequestId: "take-" + id, Job: &tandemv1.Job{
			Id: id, Pieces: 1, Steps: []*tandemv1.Step{{Id: "print", Operation: "print"}},
		}})
		return err == nil
	})
}

// has looks for jobs at one daemon.
func (c *cluster) has(at place, ids ...string) {
	c.t.Helper()
	jobs := c.jobsAt(at)
	for _, id := range ids {
		if _, err := jobs.GetJob(c.t.Context(), &tandemv1.GetJobRequest{Id: id}); err != nil {
			c.t.Errorf("after the move: %v", err)
		}
	}
}

// A floor that ran on one computer moves to a cluster, goes on there, and moves back, with every record as it was.
func TestMove(t *testing.T) {
	t.Parallel()
	c := newCluster(t, built, nil, nil)
	refused := func(dir, to, why string) {
		t.Helper()
		if out, err := c.move(dir, to); err == nil || !strings.Contains(out, why) {
			t.Errorf("move to %s ended with %v and said\n%s\nwant a refusal with %q", to, err, out, why)
		}
	}

	// The folder goes on as that of the cluster's daemon, whose history is in it.
	old, at := filepath.Join(c.dir, "floor-a"), freePlaces(t, 4)
	first := c.alone(old, at[0])
	c.handIn(at[0], "job-1")
	refused(old, "cluster", "in use")
	first.kill()
	there, err := c.move(old, "cluster")
	if err != nil || !headLine.MatchString(there) {
		t.Fatalf("move to the cluster: %v\n%s", err, there)
	}
	refused(old, "cluster", "not empty")
	refused(old, "data-dir", "not empty")
	// What was left in the first folder is not the cluster's again while the floor goes on in a third place.
	third := filepath.Join(c.dir, "third")
	for _, m := range []struct{ dir, to string }{{third, "data-dir"}, {third, "cluster"}} {
		if m.to == "cluster" {
			refused(old, "cluster", "was moved to a cluster")
		}
		if out, err := c.move(m.dir, m.to); err != nil {
			t.Fatalf("move to %s: %v\n%s", m.to, err, out)
		}
	}
	stale := c.alone(old, at[0])
	eventually(t, 10*time.Second, "a daemon alone refuses to go on with what was moved", func() bool { return !stale.running() })
	if stale.said("was moved to a cluster") != 1 {
		t.Error("it does not say why")
	}

	m := c.join("floor-a", at[1])
	c.leader(30*time.Second, nil)
	c.handIn(at[1], "job-2")
	c.has(at[1], "job-1")
	var verified []byte
	for deadline := time.Now().Add(30 * time.Second); ; {
		verified, err = exec.Command(c.bin.daemon, "ledger", "verify", "--data-dir", old, "--cluster", c.urls(""), "--name", "verifier",
			"--credentials", filepath.Join(c.dir, "credentials")).CombinedOutput()
		if !choosing(verified) || time.Now().After(deadline) {
			break
		}
	}
	if err != nil || !strings.Contains(string(verified), "the ledger is good") || !strings.Contains(string(verified), "jobs          2,") {
		t.Errorf("the ledger of the cluster, verified while its daemon runs: %v\n%s", err, verified)
	}
	back := filepath.Join(c.dir, "back")
	refused(back, "data-dir", "floor-a")
	m.kill()
	// Another move is told as that, and so is what one leaves behind that was killed, not as a daemon that is to be stopped.
	eventually(t, 60*time.Second, "nobody follows the ledger", func() bool {
		s, err := c.ask().Stream(t.Context(), ledger.StreamName)
		return err == nil && s.CachedInfo().State.Consumers == 0
	})
	leases, err := lead.OpenStream(t.Context(), c.ask(), 3)
	must(t, err)
	other, err := lead.New(leases, lead.Options{Name: "ledger-move"})
	must(t, err)
	lease, err := other.Acquire(t.Context())
	must(t, err)
	refused(back, "data-dir", "another `tandemd ledger move` is under way")
	lease.Release(t.Context())
	left, err := c.ask().CreateConsumer(t.Context(), ledger.StreamName, jetstream.ConsumerConfig{InactiveThreshold: time.Minute})
	must(t, err)
	refused(back, "data-dir", "run this one again in half a minute")
	must(t, c.ask().DeleteConsumer(t.Context(), ledger.StreamName, left.CachedInfo().Name))
	out, err := c.move(back, "data-dir")
	if err != nil || !headLine.MatchString(out) || headLine.FindString(out) == headLine.FindString(there) {
		t.Fatalf("move back: %v\n%s\nbefore it was\n%s", err, out, there)
	}
	// What was left in the cluster is no second floor's.
	refused(filepath.Join(c.dir, "twice"), "data-dir", "goes on there")
	again := c.alone(back, at[2])
	c.handIn(at[2], "job-3")
	c.has(at[2], "job-1", "job-2")
	again.kill()

	// What was left in the cluster is led by nobody, and gets what was done since when the floor comes back to it.
	two := c.join("floor-b", at[3])
	eventually(t, 30*time.Second, "a daemon of the cluster refuses to lead what was moved away", func() bool { return two.said("moved away from this place") > 0 })
	if out, err := c.move(back, "cluster"); err != nil || !headLine.MatchString(out) {
		t.Fatalf("move to the cluster again: %v\n%s", err, out)
	}
	c.leader(30*time.Second, nil)
	c.has(at[3], "job-1", "job-2", "job-3")
}

// A folder with a ledger that was never moved is not served as a cluster's, or the floor would begin with nothing. And when the servers
// have lost what was moved to them, it is made anew from the history in that folder, and moved again.
func TestMoveIsNotForgotten(t *testing.T) {
	t.Parallel()
	c := newCluster(t, built, nil, nil)
	dir, at := filepath.Join(c.dir, "floor-a"), freePlaces(t, 3)
	first := c.alone(dir, at[0])
	c.handIn(at[0], "job-1")
	first.kill()
	early := c.join("floor-a", at[1])
	eventually(t, 20*time.Second, "a folder whose ledger was not moved is refused", func() bool { return !early.running() })
	if early.said("holds a ledger of its own that was not moved") != 1 || early.said("tandemd ledger move --to cluster") != 1 {
		t.Error("it does not say why, and what helps")
	}
	if out, err := c.move(dir, "cluster"); err != nil {
		t.Fatalf("move to the cluster: %v\n%s", err, out)
	}
	early.start()
	c.leader(30*time.Second, nil)
	c.handIn(at[1], "job-2")
	eventually(t, 20*time.Second, "the history is whole", func() bool { return c.kept("floor-a") })
	early.kill()

	c.stores(func(store string) { must(t, os.Rename(store, store+".lost")) })
	rebuild := exec.Command(c.bin.daemon, "ledger", "rebuild", "--without-last", "--data-dir", dir, "--actor", "marit")
	if out, err := rebuild.CombinedOutput(); err != nil {
		t.Fatalf("make the ledger anew: %v\n%s", err, out)
	}
	if out, err := c.move(dir, "cluster"); err != nil {
		t.Fatalf("move the ledger that was made anew: %v\n%s", err, out)
	}
	early.start()
	c.leader(30*time.Second, nil)
	c.has(at[1], "job-1", "job-2")
}

// kept reports whether the history of a daemon that leads has everything.
func (c *cluster) kept(name string) bool {
	c.t.Helper()
	out, err := exec.Command(c.bin.daemon, "ledger", "verify", "--data-dir", filepath.Join(c.dir, name), "--cluster", c.urls(""), "--name", "verifier",
		"--credentials", filepath.Join(c.dir, "credentials"), "--json").Output()
	var report struct{ Revision, History uint64 }
	return err == nil && json.Unmarshal(out, &report) == nil && report.Revision > 0 && report.Revision == report.History
}
