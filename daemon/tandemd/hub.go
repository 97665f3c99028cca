package main

import (
	"context"
	"errors"
	"fmt"
	"net"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"

	"tandem/daemon/bus"
	"tandem/daemon/datadir"
	"tandem/daemon/history"
	"tandem/daemon/ledger"
	driverv1 "tandem/proto/tandem/driver/v1"
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

// openHub opens the ledger, its second copy, and the way to the drivers.
func openHub(ctx context.Context, cfg daemonConfig) (_ hub, _ *ledger.JetStream, _ *history.History, err error) {
	if err := datadir.CheckFinished(cfg.DataDir); err != nil {
		return nil, nil, nil, &usageError{err} // starting again helps nobody
	}
	var server hub
	var open func(known ledger.Head) (*ledger.JetStream, error)
	if cfg.member != nil {
		server = clusterHub{cfg.member.cluster}
		open = func(known ledger.Head) (*ledger.JetStream, error) { return cfg.member.open(ctx, known) }
	} else {
		deaf := &deafness{life: cfg.place.before}
		own, err := bus.StartServer(bus.ServerConfig{
			StoreDir: datadir.BusDir(cfg.DataDir), MaxStore: datadir.MostStore, Listen: cfg.BusListen, ListenMQTT: cfg.MQTTListen,
			MaxPayload: ledger.ServerMaxPayload, Descriptions: ledger.Descriptions(), Failed: deaf.heard, Log: natsLog(cfg.Log),
		})
		if err != nil {
			return nil, nil, nil, err
		}
		note, err := ledger.OpenNote(datadir.NotePath(cfg.DataDir))
		if err != nil {
			own.Shutdown()
			return nil, nil, nil, err
		}
		server = &embeddedHub{own, note}
		open = func(known ledger.Head) (*ledger.JetStream, error) {
			store, err := openLedger(ctx, own, ledger.Options{Known: known, Note: note}, cfg.Log)
			if err != nil {
				return nil, err
			}
			deaf.of(store)
			return store, own.StoreNames()
		}
	}
	defer func() {
		if err != nil {
			server.Shutdown()
		}
	}()
	// Only now is the data folder this daemon's alone.
	past, err := openHistory(ctx, cfg.DataDir, cfg.Log.Named("history"))
	if err != nil {
		return nil, nil, nil, err
	}
	store, err := open(cfg.place.before.known(past.Head()))
	if err == nil {
		err = checkSomethingLeft(store, cfg)
	}
	if err != nil {
		return nil, nil, nil, errors.Join(withRemedy(err, cfg), past.Close())
	}
	return server, store, past, nil
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

// attention is what people see about disks, and about the servers of a cluster.
func (c daemonConfig) attention() []string {
	if c.member == nil {
		return c.place.attention()
	}
	return c.member.troubles.attention()
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
	for _, id := range r.listens {
		introduce := &driverv1.Order{Kind: &driverv1.Order_Introduce{Introduce: &driverv1.Introduce{}}}
		if err := r.bus.Post(id, introduce, func(*driverv1.Answer, error) {}); err != nil {
			r.cfg.Log.Warn("driver not asked for a hello; it is when it speaks", zap.String("device", id), zap.Error(err))
		}
	}
}
