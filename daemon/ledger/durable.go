package ledger

import (
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
)

// EmbeddedSyncAlways is Options.SyncAlways for a server in this process: it asks the running server's JetStream, which is
// what its streams were opened with, not the options somebody meant to give it.
func EmbeddedSyncAlways(srv *server.Server) func() (bool, error) {
	return func() (bool, error) {
		cfg := srv.JetStreamConfig()
		if cfg == nil {
			return false, errors.New("JetStream is not running in the embedded server; start it with JetStream enabled")
		}
		return cfg.SyncAlways, nil
	}
}

// clusterPing is the subject on which every server of a cluster tells the system account about its JetStream.
const clusterPing = "$SYS.REQ.SERVER.PING.JSZ"

// clusterReply is the part of a server's answer that matters here.
type clusterReply struct {
	Server struct {
		Name string `json:"name"`
	} `json:"server"`
	Data *struct {
		Disabled bool `json:"disabled"`
		Config   struct {
			SyncAlways bool `json:"sync_always"`
		} `json:"config"`
		Meta *struct {
			Size int `json:"cluster_size"`
		} `json:"meta_cluster"`
	} `json:"data"`
	Error *struct {
		Description string `json:"description"`
	} `json:"error"`
}

// ClusterSyncAlways is Options.SyncAlways for servers in other processes. sys is a connection of their system account,
// which alone may ask. Every server of the cluster has to answer within timeout, and one whose sync_interval is not
// "always" makes the answer false; servers that do not run JetStream do not count.
func ClusterSyncAlways(sys *nats.Conn, timeout time.Duration) func() (bool, error) {
	return clusterSyncAlways(sys, timeout, func(size int) int { return size })
}

// MajoritySyncAlways is ClusterSyncAlways for a cluster that may have lost a minority of its servers: those that answer
// must be more than half, and each of them must write to disk before it acknowledges. A server that does not answer
// acknowledges nothing either; who uses this asks again from time to time, for it may come back with other settings.
func MajoritySyncAlways(sys *nats.Conn, timeout time.Duration) func() (bool, error) {
	return clusterSyncAlways(sys, timeout, func(size int) int { return size/2 + 1 })
}

// clusterSyncAlways asks until all servers have answered or the time is up; enough of how many must have answered.
func clusterSyncAlways(sys *nats.Conn, timeout time.Duration, enough func(size int) int) func() (bool, error) {
	return func() (bool, error) {
		inbox := sys.NewInbox()
		sub, err := sys.SubscribeSync(inbox)
		if err != nil {
			return false, fmt.Errorf("ask servers for sync_interval: %w", err)
		}
		defer func() { _ = sub.Unsubscribe() }()
		if err := sys.PublishRequest(clusterPing, inbox, nil); err != nil {
			return false, fmt.Errorf("ask servers for sync_interval: %w", err)
		}
		end := time.Now().Add(timeout)
		answered, size := map[string]bool{}, 1
		for len(answered) < size {
			msg, err := sub.NextMsg(time.Until(end))
			if err != nil && len(answered) >= enough(size) && len(answered) > 0 {
				return true, nil
			}
			if err != nil {
				return false, fmt.Errorf("ask servers for sync_interval: %d of %d answered to a connection of the system account: %w",
					len(answered), size, err)
			}
			var reply clusterReply
			if err := json.Unmarshal(msg.Data, &reply); err != nil {
				return false, fmt.Errorf("ask servers for sync_interval: read answer: %w", err)
			}
			if reply.Error != nil {
				return false, fmt.Errorf("ask servers for sync_interval: server %s: %s", reply.Server.Name, reply.Error.Description)
			}
			if reply.Data == nil || reply.Data.Disabled {
				continue
			}
			if !reply.Data.Config.SyncAlways {
				return false, nil
			}
			answered[reply.Server.Name] = true
			if reply.Data.Meta != nil {
				size = max(size, reply.Data.Meta.Size)
			}
		}
		return true, nil
	}
}
