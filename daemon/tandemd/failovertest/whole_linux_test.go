package failovertest

import (
	"context"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"tandem/daemon/lead"
	"tandem/daemon/ledger"
)

// allFollow waits until every daemon but the one that leads has the ledger in memory.
func (c *cluster) allFollow(leads *member) {
	c.t.Helper()
	for _, m := range c.members {
		if m != leads {
			eventually(c.t, 30*time.Second, m.name+" follows", func() bool { return m.said(`"following"`) > 0 })
		}
	}
}

// holder returns the server that leads a stream.
func (c *cluster) holder(stream string) *server {
	c.t.Helper()
	js, err := jetstream.New(c.nats(c.servers[0].client.ns, "ledger"))
	if err != nil {
		c.t.Fatal(err)
	}
	s, err := js.Stream(c.t.Context(), stream)
	if err != nil {
		c.t.Fatal(err)
	}
	for _, server := range c.servers {
		if server.name == s.CachedInfo().Cluster.Leader {
			return server
		}
	}
	c.t.Fatalf("%s is led by %q, which is none of the servers", stream, s.CachedInfo().Cluster.Leader)
	return nil
}

// whole waits until every server holds what the others do: losing another one then is losing a minority again.
func (c *cluster) whole() {
	c.t.Helper()
	js, err := jetstream.New(c.nats(c.servers[len(c.servers)-1].client.ns, "ledger"))
	if err != nil {
		c.t.Fatal(err)
	}
	for _, name := range []string{ledger.StreamName, lead.StreamName} {
		eventually(c.t, 40*time.Second, "every server holds "+name, func() bool {
			ctx, cancel := context.WithTimeout(c.t.Context(), 2*time.Second)
			defer cancel()
			stream, err := js.Stream(ctx, name)
			if err != nil || stream.CachedInfo().Cluster == nil || stream.CachedInfo().Cluster.Leader == "" {
				return false
			}
			replicas := stream.CachedInfo().Cluster.Replicas
			for _, r := range replicas {
				if !r.Current || r.Offline {
					return false
				}
			}
			return len(replicas) == len(c.servers)-1
		})
	}
}
