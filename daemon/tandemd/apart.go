package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"tandem/daemon/lead"
	"tandem/daemon/ledger"
)

const (
	// apartFirst and apartEvery are when a daemon that leads looks where the streams are led: soon after it has begun, and
	// then from time to time, for servers choose among themselves whenever one comes or goes.
	apartFirst, apartEvery = time.Second, 5 * time.Second
	// handOver is how long a server is waited for that is to lead a stream. Appends wait with it.
	handOver = 2 * time.Second
	// pingStores is the subject on which every server tells the system account about its JetStream.
	pingStores = "$SYS.REQ.SERVER.PING.JSZ"
)

// keepApart keeps the streams from being led by the server that is the nearest to this daemon, which leads: its machine's own,
// as a rule. Were they, the loss of one machine would cost both the daemon that leads and the server through which anything
// is stored, and the servers take 4 to 9 s to choose another one (the election timeout of nats-server 2.15, which has no
// setting for it); as it is, another daemon takes over as soon as the lease has ended. And all are led by one server, so that
// there is only one whose loss must be waited out. It changes nothing while a server is missing or behind.
func (m *member) keepApart(ctx context.Context, store *ledger.JetStream) {
	next := time.NewTimer(apartFirst)
	defer next.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-next.C:
		}
		if err := m.moveApart(ctx, store); err != nil {
			m.log.Debug("streams left where they are led", zap.Error(err))
		}
		next.Reset(apartEvery)
	}
}

// moveApart looks once, and moves what is not where it should be.
func (m *member) moveApart(ctx context.Context, store *ledger.JetStream) error {
	js, err := jetstream.New(m.leasing)
	if err != nil {
		return fmt.Errorf("reach JetStream: %w", err)
	}
	records, err := ledBy(ctx, js, ledger.StreamName)
	if err != nil {
		m.troubles.missed(err)
		return err
	}
	leases, err := ledBy(ctx, js, lead.StreamName)
	if err != nil {
		m.troubles.missed(err)
		return err
	}
	m.troubles.missed(nil)
	meta, err := m.metaLeader()
	if err != nil {
		return err
	}
	connected := m.leasing.ConnectedServerName()
	switch {
	case sameServer(m.leasing.ConnectedUrl(), m.set.Cluster[0]):
		m.nearest = connected
	case m.nearest == "": // it came up after this daemon, as on a machine that starts both
		if m.nearest, err = m.cluster.Nearest(); err != nil { // where it can never be reached, the others still lead
			m.log.Debug("nearest server not known", zap.Error(err))
		}
	}
	home := chooseHome(records, leases, m.nearest, connected)
	if home == "" {
		return errors.New("no other server holds what this one does")
	}
	if records.leader != home {
		store.Quietly(func() { err = m.move(ctx, js, ledger.StreamName, home) })
	}
	if err == nil && leases.leader != home {
		err = m.move(ctx, js, lead.StreamName, home)
	}
	if err == nil && meta != home {
		err = stepDown(m.system, "$JS.API.META.LEADER.STEPDOWN", home)
	}
	return err
}

// placed is where a stream is led and held.
type placed struct {
	leader    string
	followers []string // by name, all of them with everything that the leader has
}

// ledBy asks where a stream is. A follower that is missing or behind is an error: nothing is moved then.
func ledBy(ctx context.Context, js jetstream.JetStream, stream string) (placed, error) {
	ctx, cancel := context.WithTimeout(ctx, handOver)
	defer cancel()
	s, err := js.Stream(ctx, stream)
	if err != nil {
		return placed{}, fmt.Errorf("ask for stream %s: %w", stream, err)
	}
	cluster := s.CachedInfo().Cluster
	if cluster == nil || cluster.Leader == "" {
		return placed{}, fmt.Errorf("stream %s has no leader", stream)
	}
	if err := checkCopies(stream, s.CachedInfo().Config.Replicas, 1+len(cluster.Replicas)); err != nil {
		return placed{}, err
	}
	p := placed{leader: cluster.Leader}
	for _, r := range cluster.Replicas {
		if r.Offline || !r.Current {
			return placed{}, fmt.Errorf("stream %s: server %s is missing or behind: get it back soon", stream, r.Name)
		}
		p.followers = append(p.followers, r.Name)
	}
	slices.Sort(p.followers)
	return p, nil
}

// checkCopies refuses a stream that fewer servers keep than a daemon has asked for: somebody has changed it, or has removed a server.
func checkCopies(stream string, asked, held int) error {
	switch {
	case asked < clusterCopies:
		return fmt.Errorf("stream %s was changed to be kept by %d of them: start one of the daemons again, it sets that right", stream, asked)
	case held < clusterCopies:
		return fmt.Errorf("stream %s: only %d of them hold it: start the server that was removed", stream, held)
	}
	return nil
}

// sameServer compares two addresses without their scheme.
func sameServer(a, b string) bool {
	first, err := url.Parse(a)
	second, bad := url.Parse(b)
	return err == nil && bad == nil && first.Host != "" && first.Host == second.Host
}

// chooseHome returns the server that is to lead the streams: none of those to be avoided, or at least not the first of them,
// and one that leads a stream already if it can be; empty: there is none.
func chooseHome(records, leases placed, avoid ...string) string {
	holds := func(p placed, name string) bool { return p.leader == name || slices.Contains(p.followers, name) }
	for ; len(avoid) > 0; avoid = avoid[:len(avoid)-1] {
		for _, name := range append([]string{records.leader, leases.leader}, records.followers...) {
			if !slices.Contains(avoid, name) && holds(records, name) && holds(leases, name) {
				return name
			}
		}
	}
	return ""
}

// move lets another server lead a stream, and waits until it does.
func (m *member) move(ctx context.Context, js jetstream.JetStream, stream, home string) error {
	begin := time.Now()
	if err := stepDown(m.leasing, "$JS.API.STREAM.LEADER.STEPDOWN."+stream, home); err != nil {
		return err
	}
	for time.Since(begin) < handOver {
		ask, cancel := context.WithTimeout(ctx, handOver/10) // what is asked between two leaders is lost
		s, err := js.Stream(ask, stream)
		cancel()
		if err == nil && s.CachedInfo().Cluster != nil && s.CachedInfo().Cluster.Leader == home {
			m.log.Info("stream is led apart from this daemon", zap.String("stream", stream), zap.String("server", home), zap.Duration("in", time.Since(begin)))
			return nil
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
	}
	return fmt.Errorf("stream %s is not led by %s within %v", stream, home, handOver)
}

// stepDown asks who leads a stream, or the cluster, to let a server lead in its place.
func stepDown(nc *nats.Conn, subject, home string) error {
	body, err := json.Marshal(map[string]any{"placement": map[string]string{"preferred": home}})
	if err != nil {
		return fmt.Errorf("encode request: %w", err)
	}
	msg, err := nc.Request(subject, body, handOver)
	if err != nil {
		return fmt.Errorf("ask for %s: %w", subject, err)
	}
	var reply struct {
		Error *struct {
			Description string `json:"description"`
		} `json:"error"`
	}
	if err := json.Unmarshal(msg.Data, &reply); err != nil {
		return fmt.Errorf("ask for %s: read answer: %w", subject, err)
	}
	if reply.Error != nil {
		return fmt.Errorf("ask for %s: %s", subject, reply.Error.Description)
	}
	return nil
}

// metaLeader asks which server leads the cluster: it alone makes readers of streams.
func (m *member) metaLeader() (string, error) {
	msg, err := m.system.Request(pingStores, nil, handOver)
	if err != nil {
		return "", fmt.Errorf("ask who leads the cluster: %w", err)
	}
	var reply struct {
		Data struct {
			Meta struct {
				Leader string `json:"leader"`
			} `json:"meta_cluster"`
		} `json:"data"`
	}
	if err := json.Unmarshal(msg.Data, &reply); err != nil {
		return "", fmt.Errorf("ask who leads the cluster: read answer: %w", err)
	}
	if reply.Data.Meta.Leader == "" {
		return "", errors.New("no server leads the cluster")
	}
	return reply.Data.Meta.Leader, nil
}
