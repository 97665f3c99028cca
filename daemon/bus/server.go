package bus

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	natsserver "github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"tandem/proto/durable"
)

const (
	// defaultMaxPayload suits a ledger whose records carry the events of many callers, in bytes.
	defaultMaxPayload = 1 << 20
	// greatestMaxPayload is the size above which the server itself warns, in bytes.
	greatestMaxPayload = 8 << 20
	// readyWithin bounds the first round trip after the server says that it has started. Recovery of a long ledger
	// happens before and has no bound.
	readyWithin = 30 * time.Second
)

// ServerConfig says how the embedded server runs.
type ServerConfig struct {
	// StoreDir holds the ledger's streams, the lock that keeps a second daemon out, and the drivers' token. It is
	// created with mode 0700. Required.
	StoreDir string
	// MaxStore is the most that streams may take on disk, in bytes. Required: the server's own default is a share of
	// what happens to be free, and a ledger larger than that could not be opened again.
	MaxStore int64
	// Listen is the host:port for drivers of other processes; port 0 takes a free one. Only loopback is accepted.
	// Empty: no socket, in-process connections only.
	Listen string
	// ListenMQTT is the host:port for MQTT 3.1.1, for sensors and the watchers that listen to them; port 0 takes a free one.
	// They are one user, with the password in [SignalFile], in an account of their own. Empty: nobody listens.
	ListenMQTT string
	// MaxPayload is the greatest ledger record, in bytes; 0 means 1 MiB. Drivers are always held to [MaxBody].
	MaxPayload int
	// Failed is told when a stream cannot be written any more: the server answers nobody who appends to it, and only a new
	// server helps. It is called with the server's line, which names the stream, and must not block. It may be nil.
	Failed func(line string)
	// Descriptions are those that a stream is given one after the other. A change between two of them that was cut off is finished at the
	// next start, or the server would pass over the stream.
	Descriptions []string
	// Log takes the server's lines and those of connections made here. Nil: none.
	Log *zap.Logger
}

func (c ServerConfig) check() error {
	switch {
	case c.StoreDir == "":
		return errors.New("StoreDir is empty: name the directory of the daemon's data")
	case c.MaxStore <= 0:
		return fmt.Errorf("MaxStore is %d bytes: give the ledger a size above 0", c.MaxStore)
	case c.MaxPayload < MaxBody || c.MaxPayload > greatestMaxPayload:
		return fmt.Errorf("MaxPayload is %d bytes: choose %d to %d", c.MaxPayload, MaxBody, greatestMaxPayload)
	}
	return nil
}

// Server is an embedded NATS server with two accounts: LEDGER, which has JetStream and can be reached only in this
// process, and FLOOR, where the daemon and the drivers meet. A third, SIGNAL, is there if it listens for MQTT.
type Server struct {
	server   *natsserver.Server
	dir      string // the store directory
	lock     *os.File
	secrets  secrets
	log      *zap.Logger
	shutdown sync.Once

	mu      sync.Mutex
	closing bool
	conns   map[*nats.Conn]struct{} // handed out and still open
}

// StartServer starts the embedded server and returns once JetStream answers and is known to write every record to
// disk before it acknowledges it. A store directory that another process uses is refused with [ErrInUse].
func StartServer(cfg ServerConfig) (_ *Server, err error) {
	if cfg.MaxPayload == 0 {
		cfg.MaxPayload = defaultMaxPayload
	}
	if cfg.Log == nil {
		cfg.Log = zap.NewNop()
	}
	if err := cfg.check(); err != nil {
		return nil, fmt.Errorf("start bus: %w", err)
	}
	host, port, err := loopback(cfg.Listen)
	if err != nil {
		return nil, fmt.Errorf("start bus: listen on %q: %w", cfg.Listen, err)
	}
	if err := durable.MakeFolder(cfg.StoreDir, 0o700); err != nil {
		return nil, fmt.Errorf("start bus: create store directory: %w", err)
	}
	lock, err := lockDir(cfg.StoreDir)
	if err != nil {
		return nil, fmt.Errorf("start bus: %w", err)
	}
	if err := checkMine(cfg.StoreDir); err != nil {
		return nil, errors.Join(fmt.Errorf("start bus: %w", err), lock.Close())
	}
	if err := errors.Join(finishSettings(cfg.StoreDir, cfg.Descriptions), storeNewest(cfg.StoreDir)); err != nil {
		return nil, errors.Join(fmt.Errorf("start bus: %w", err), lock.Close())
	}
	s := &Server{dir: cfg.StoreDir, lock: lock, log: cfg.Log, conns: make(map[*nats.Conn]struct{})}
	defer func() {
		if err != nil {
			s.Shutdown()
		}
	}()

	token, err := ensureToken(filepath.Join(cfg.StoreDir, TokenFile))
	if err != nil {
		return nil, fmt.Errorf("start bus: %w", err)
	}
	s.secrets = newSecrets(token)
	opts, err := serverOptions(cfg, host, port, s.secrets)
	if err != nil {
		return nil, fmt.Errorf("start bus: %w", err)
	}
	if s.server, err = natsserver.NewServer(opts); err != nil {
		return nil, fmt.Errorf("start bus: configure server: %w", err)
	}
	lines := newServerLog(cfg.Log, cfg.Failed)
	s.server.SetLoggerV2(lines, lines.debugging(), false, false)
	s.server.Start()
	if err := lines.fatal(); err != nil {
		return nil, fmt.Errorf("start bus: %w", err)
	}
	if err := s.awaitReady(); err != nil {
		return nil, fmt.Errorf("start bus: %w", err)
	}
	return s, nil
}

// awaitReady returns once a request to JetStream has been answered, which is later than the server's readiness for
// connections, and once every record is sure to be synced.
func (s *Server) awaitReady() error {
	if !s.server.ReadyForConnections(readyWithin) {
		return fmt.Errorf("server accepts no connections after %s", readyWithin)
	}
	nc, err := s.LedgerConn()
	if err != nil {
		return err
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		return fmt.Errorf("reach JetStream: %w", err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), readyWithin)
	defer cancel()
	if _, err := js.AccountInfo(ctx); err != nil {
		return fmt.Errorf("reach JetStream: %w", err)
	}
	always, err := s.SyncAlways()
	if err != nil {
		return err
	}
	if !always {
		return errors.New("JetStream does not sync every record to disk: the ledger would lose acknowledged work")
	}
	return nil
}

// SyncAlways reports whether the running server syncs every record to disk before it acknowledges it: the server's
// setting is on and no stream of the ledger's account opts out of it. It is an error if JetStream does not run.
func (s *Server) SyncAlways() (bool, error) {
	info, err := s.server.Jsz(nil)
	if err != nil {
		return false, fmt.Errorf("read JetStream's settings: %w", err)
	}
	if info.Disabled {
		return false, errors.New("read JetStream's settings: JetStream does not run")
	}
	if !info.Config.SyncAlways {
		return false, nil
	}
	account, err := s.server.JszAccount(&natsserver.JSzOptions{Account: ledgerAccount, Streams: true, Config: true})
	if err != nil {
		return false, fmt.Errorf("read the streams of account %s: %w", ledgerAccount, err)
	}
	for _, stream := range account.Streams {
		if stream.Config != nil && stream.Config.PersistMode == natsserver.AsyncPersistMode {
			return false, nil
		}
	}
	return true, nil
}

// URL is where drivers of other processes connect, as nats://host:port; empty if there is no socket.
func (s *Server) URL() string {
	addr := s.server.Addr()
	if addr == nil {
		return ""
	}
	return "nats://" + addr.String()
}

// Shutdown closes every connection made here, stops the server, waits until its files are closed and then lets
// another daemon have the store directory. Further calls wait for the first.
func (s *Server) Shutdown() {
	s.shutdown.Do(func() {
		s.mu.Lock()
		s.closing = true
		open := make([]*nats.Conn, 0, len(s.conns))
		for nc := range s.conns {
			open = append(open, nc)
		}
		s.mu.Unlock()
		for _, nc := range open {
			nc.Close()
		}
		if s.server != nil {
			s.server.Shutdown()
			s.server.WaitForShutdown()
		}
		if err := s.lock.Close(); err != nil {
			s.log.Warn("store directory not unlocked; it will be when the process ends", zap.Error(err))
		}
	})
}
