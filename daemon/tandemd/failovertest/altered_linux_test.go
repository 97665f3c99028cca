package failovertest

import (
	"context"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"tandem/daemon/lead"
	"tandem/daemon/ledger"
	tandemv1 "tandem/proto/tandem/v1"
)

// answers is what one daemon says when it is asked how it is, whether it leads or not.
func (c *cluster) answers(m *member) (*tandemv1.Status, error) {
	c.t.Helper()
	conn, err := grpc.NewClient(m.clients.String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		c.t.Fatal(err)
	}
	defer conn.Close()
	ctx, cancel := context.WithTimeout(c.t.Context(), 2*time.Second)
	defer cancel()
	return tandemv1.NewAdminServiceClient(conn).GetStatus(ctx, &tandemv1.GetStatusRequest{})
}

// Somebody changes and removes the streams by hand. A ledger that fewer servers keep is told, and mended by the next daemon that
// starts; without the stream of the lease a daemon leads again by itself; without the ledger none leads, also not the one that
// followed, and each says why and what helps.
func TestAlteredStreams(t *testing.T) {
	t.Parallel()
	c := newCluster(t, built, nil, nil)
	for i, at := range freePlaces(t, 2) {
		c.join([]string{"floor-a", "floor-b"}[i], at)
	}
	first := c.leader(60*time.Second, nil)
	c.allFollow(first)
	people := c.submit(1, 100*time.Millisecond)
	eventually(t, 20*time.Second, "jobs are taken in", func() bool { return people.all() > 3 })

	stream, err := c.ask().Stream(t.Context(), ledger.StreamName)
	must(t, err)
	config := stream.CachedInfo().Config
	config.Replicas = 1
	_, err = c.ask().UpdateStream(t.Context(), config)
	must(t, err)
	eventually(t, 60*time.Second, "people are told that one server alone keeps the ledger", func() bool {
		s, err := c.answers(c.leader(20*time.Second, nil))
		return err == nil && strings.Contains(strings.Join(s.GetReasons(), "\n"), "start one of the daemons again")
	})
	second := c.members[0]
	if c.leader(20*time.Second, nil) == second {
		second = c.members[1]
	}
	second.kill()
	second.start()
	eventually(t, 60*time.Second, "three servers keep the ledger again", func() bool {
		s, err := c.ask().Stream(t.Context(), ledger.StreamName)
		return err == nil && s.CachedInfo().Config.Replicas == 3 && s.CachedInfo().Cluster != nil && len(s.CachedInfo().Cluster.Replicas) == 2
	})
	c.whole()

	must(t, c.ask().DeleteStream(t.Context(), lead.StreamName))
	time.Sleep(lead.DefaultDuration) // who leads has until then
	before := people.all()
	eventually(t, 20*time.Second, "jobs are taken in without the lease's old stream", func() bool { return people.all() > before+3 })
	people.stop()
	c.judge("", people)

	must(t, c.ask().DeleteStream(t.Context(), ledger.StreamName))
	last := c.submit(1, 100*time.Millisecond)
	for _, m := range c.members {
		eventually(t, 60*time.Second, m.name+" says that there is no ledger, and what helps", func() bool {
			_, err := c.answers(m)
			return err != nil && strings.Contains(err.Error(), "there is no ledger") && strings.Contains(err.Error(), "tandemd ledger rebuild --without-last")
		})
	}
	if n := last.all(); n > 0 {
		t.Errorf("%d jobs were acknowledged without a ledger", n)
	}
}
