package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"path/filepath"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"

	"tandem/daemon/bus"
	"tandem/daemon/ledger"
)

// hub is where the daemon meets its drivers: the server in this process, or those of a cluster.
type hub interface {
	FloorConn(name string) (*nats.Conn, error)
	DriverConn(name string) (*nats.Conn, error)
	URL() string
	Shutdown()
}

// clusterHub is a cluster for the time of one life of a member; the cluster itself stays.
type clusterHub struct{ *bus.Cluster }

// Shutdown does nothing: connections are closed by whoever has asked for them.
func (clusterHub) Shutdown() {}

// embeddedHub is the server in this process, and what is noted beside its store.
type embeddedHub struct {
	*bus.Server
	note *ledger.Note
}

// Shutdown stops the server, and then closes the note.
func (h *embeddedHub) Shutdown() {
	h.Server.Shutdown()
	_ = h.note.Close() // it is written as it goes, and only read after this
}

// openHub opens the ledger and the way to the drivers.
func openHub(ctx context.Context, cfg daemonConfig) (hub, *ledger.JetStream, error) {
	if cfg.member != nil {
		store, err := cfg.member.open(ctx)
		return clusterHub{cfg.member.cluster}, store, err
	}
	deaf := &deafness{}
	server, err := bus.StartServer(bus.ServerConfig{
		StoreDir: filepath.Join(cfg.DataDir, "bus"), MaxStore: mostStore, Listen: cfg.BusListen,
		MaxPayload: ledger.ServerMaxPayload, Failed: deaf.heard, Log: natsLog(cfg.Log),
	})
	if err != nil {
		return nil, nil, err
	}
	note, err := ledger.OpenNote(filepath.Join(cfg.DataDir, lastRecord))
	if err != nil {
		server.Shutdown()
		return nil, nil, err
	}
	store, err := openLedger(ctx, server, note, cfg.Log)
	if err != nil {
		server.Shutdown()
		return nil, nil, errors.Join(err, note.Close())
	}
	deaf.of(store)
	return &embeddedHub{server, note}, store, nil
}

// listen opens the address for clients.
func (c daemonConfig) listen() (net.Listener, error) {
	if c.member != nil {
		return c.member.turn(), nil
	}
	if c.place.front != nil {
		return c.place.front.turn(), nil
	}
	l, err := net.Listen("tcp", c.Listen)
	if err != nil {
		return nil, fmt.Errorf("listen for clients on %s: %w", c.Listen, err)
	}
	return l, nil
}

// name is that of a member of a cluster.
func (c daemonConfig) name() string {
	if c.member == nil {
		return ""
	}
	return c.member.set.Name
}

// leads says why this daemon does not lead; nil: it does.
func (c daemonConfig) leads() error {
	if c.member == nil {
		return nil
	}
	return c.member.leads()
}

// answers is leads in the words of the API; nil: this daemon always leads.
func (c daemonConfig) answers() func() error {
	if c.member == nil {
		return nil
	}
	return func() error {
		if c.member.leads() == nil {
			return nil
		}
		return c.member.notLeader()
	}
}

// lost is closed when this daemon must no longer lead; nil: never.
func (c daemonConfig) lost() <-chan struct{} {
	if c.member == nil {
		return nil
	}
	return c.member.lost()
}

// askHellos asks every driver for a hello: those whose connection has held while another daemon led say none by themselves.
func (r *running) askHellos() {
	for _, id := range deviceIDs(r.cfg.File) {
		if err := r.bus.AskHello(id); err != nil {
			r.cfg.Log.Warn("driver not asked for a hello; it is when it speaks", zap.String("device", id), zap.Error(err))
		}
	}
}
