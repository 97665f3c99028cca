package failovertest

import (
	"fmt"
	"testing"
	"time"

	"tandem/daemon/lead"
	"tandem/daemon/ledger"
)

// A machine starts its daemon before its server, so the daemon is connected to another one and stays there. All the same its own
// machine's server, the first in its settings, does not lead the streams while it leads.
func TestStreamsApartFromAServerThatCameLater(t *testing.T) {
	t.Parallel()
	c := newCluster(t, built, nil, nil)
	at := freePlaces(t, 2)
	first := c.join("floor-a", at[0])
	c.leader(60*time.Second, nil)
	first.kill()
	nearest := c.servers[0]
	nearest.kill()
	second := c.join("floor-b", at[1])
	c.leader(60*time.Second, first)
	nearest.start()
	c.whole()
	ledgers, system := c.nats("", "ledger"), c.nats("", "system")
	body := fmt.Appendf(nil, `{"placement":{"preferred":%q}}`, nearest.name)
	for _, stream := range []string{ledger.StreamName, lead.StreamName} {
		eventually(t, 20*time.Second, nearest.name+" is asked to lead "+stream, func() bool {
			_, err := ledgers.Request("$JS.API.STREAM.LEADER.STEPDOWN."+stream, body, 2*time.Second)
			return err == nil
		})
	}
	_, _ = system.Request("$JS.API.META.LEADER.STEPDOWN", body, 2*time.Second)
	calm := time.Now()
	eventually(t, 60*time.Second, "another server leads the streams, and goes on doing so", func() bool {
		if !second.serves() || c.holder(ledger.StreamName) == nearest || c.holder(lead.StreamName) == nearest {
			calm = time.Now()
		}
		return time.Since(calm) > 12*time.Second
	})
}
