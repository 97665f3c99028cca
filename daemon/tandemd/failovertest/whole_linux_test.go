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

// ask returns JetStream over a connection that is kept, from the namespace in which clients are.
func (c *cluster) ask() jetstream.JetStream {
	c.t.Helper()
	if c.asking == nil {
		js, err := jetstream.New(c.nats(c.office, "ledger"))
		if err != nil {
			c.t.Fatal(err)
		}
		c.asking = js
	}
	return c.asking
}

// holder returns the server that leads a stream.
func (c *cluster) holder(stream string) (leads *server) {
	c.t.Helper()
	eventually(c.t, 40*time.Second, "a server leads "+stream, func() bool {
		ctx, cancel := context.WithTimeout(c.t.Context(), time.Second)
		defer cancel()
		s, err := c.ask().Stream(ctx, stream)
		if err != nil || s.CachedInfo().Cluster == nil {
			return false
		}
		for _, server := range c.servers {
			if server.name == s.CachedInfo().Cluster.Leader {
				leads = server
			}
		}
		return leads != nil
	})
	return leads
}

// whole waits until every server holds what the others do: losing another one then is losing a minority again.
func (c *cluster) whole() {
	c.t.Helper()
	for _, name := range []string{ledger.StreamName, lead.StreamName} {
		eventually(c.t, 40*time.Second, "every server holds "+name, func() bool {
			ctx, cancel := context.WithTimeout(c.t.Context(), 2*time.Second)
			defer cancel()
			stream, err := c.ask().Stream(ctx, name)
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
