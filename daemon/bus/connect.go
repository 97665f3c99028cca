package bus

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"net/url"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"
	"golang.org/x/time/rate"
)

const (
	connectWithin = 10 * time.Second
	// connectTries bounds how often a connection within the process is tried.
	connectTries    = 5
	reconnectFirst  = 100 * time.Millisecond
	reconnectAtMost = 5 * time.Second
	// driverPing and driverPings are how often a driver's connection is tried, and how many tries may stay unanswered. Where there
	// are several servers to go to, it is tried more often: the device is to have work again 5 s after one was cut off.
	driverPing, driverPingOfSeveral = 2 * time.Second, time.Second
	driverPings                     = 2
	// complainEvery is how often one source of trouble may write a log line.
	complainEvery = time.Minute
)

// LedgerConn connects in-process to the account that has JetStream. Nobody else can. [Server.Shutdown] closes it.
func (s *Server) LedgerConn() (*nats.Conn, error) {
	return s.connect("ledger", LedgerUser, s.secrets.ledger)
}

// FloorConn connects in-process as the daemon, with every permission on the floor's account. While it is disconnected
// it refuses to publish: an order that cannot go out now must not go out later. [Server.Shutdown] closes it.
func (s *Server) FloorConn(name string) (*nats.Conn, error) {
	return s.connect(name, daemonUser, s.secrets.daemon, nats.CustomInboxPrefix(daemonInbox), nats.ReconnectBufSize(-1))
}

// DriverConn connects in-process as a driver, with no more permissions than a driver of another process has.
// [Server.Shutdown] closes it.
func (s *Server) DriverConn(name string) (*nats.Conn, error) {
	return s.connect(name, driverUser, s.secrets.driver, nats.CustomInboxPrefix(driverInbox))
}

// connect tries more than once: within one process only time can spoil a handshake. The server waits 2 s for it, so a computer that
// sleeps or is very busy in that moment has it refused, and that must not end a daemon.
func (s *Server) connect(name, user, secret string, more ...nats.Option) (*nats.Conn, error) {
	for try := 1; ; try++ {
		nc, err := s.connectOnce(name, user, secret, more...)
		s.mu.Lock()
		closing := s.closing
		s.mu.Unlock()
		if err == nil || closing || try == connectTries {
			return nc, err
		}
		s.log.Warn("bus not reached within the process; trying again", zap.String("connection", name), zap.Error(err))
		time.Sleep(reconnectDelay(try))
	}
}

func (s *Server) connectOnce(name, user, secret string, more ...nats.Option) (*nats.Conn, error) {
	opts := append(forever(name),
		nats.InProcessServer(s.server),
		nats.UserInfo(user, secret),
		LogTo(s.log.With(zap.String("connection", name))),
		nats.ClosedHandler(func(nc *nats.Conn) {
			s.mu.Lock()
			delete(s.conns, nc)
			s.mu.Unlock()
		}),
	)
	nc, err := nats.Connect("", append(opts, more...)...)
	if err != nil {
		return nil, fmt.Errorf("connect %s to the bus: %w", name, err)
	}
	s.mu.Lock()
	closing := s.closing
	if !closing && !nc.IsClosed() {
		s.conns[nc] = struct{}{}
	}
	s.mu.Unlock()
	if closing {
		nc.Close()
		return nil, fmt.Errorf("connect %s to the bus: %w", name, ErrClosed)
	}
	return nc, nil
}

// LogTo is an option for connections: it logs what NATS would tell nobody or stderr, such as a publish that is not
// permitted or a connection that fails, at most one line of a kind in a minute.
func LogTo(log *zap.Logger) nats.Option {
	var trouble, lost, retry, refused rate.Sometimes
	for _, s := range []*rate.Sometimes{&trouble, &lost, &retry, &refused} {
		s.Interval = complainEvery
	}
	// The floor sees such a driver as silent only, so what helps has to be said here.
	refusal := func(err error) {
		refused.Do(func() {
			log.Warn("the bus refuses this token or password; trying again", zap.Error(err), zap.String("remedy",
				"put that of the daemon, or of the cluster, that is there now into the token file: it is read again at each attempt; a daemon that was restored or moved has a new one"))
		})
	}
	return func(o *nats.Options) error {
		o.AsyncErrorCB = func(_ *nats.Conn, sub *nats.Subscription, err error) {
			if unauthorized(err) {
				refusal(err)
				return
			}
			trouble.Do(func() {
				subject := ""
				if sub != nil {
					subject = sub.Subject
				}
				log.Warn("trouble on a bus connection", zap.String("subject", subject), zap.Error(err))
			})
		}
		o.DisconnectedErrCB = func(_ *nats.Conn, err error) {
			if err != nil { // nil: closed on purpose
				lost.Do(func() { log.Warn("bus connection lost; connecting again", zap.Error(err)) })
			}
		}
		o.ReconnectErrCB = func(_ *nats.Conn, err error) {
			if unauthorized(err) {
				refusal(err)
				return
			}
			retry.Do(func() { log.Warn("bus not reached; trying again", zap.Error(err)) })
		}
		return nil
	}
}

// unauthorized says whether a server has refused a credential: while a connection is being made that is the server's text alone.
func unauthorized(err error) bool {
	return err != nil && (errors.Is(err, nats.ErrAuthorization) || strings.EqualFold(err.Error(), nats.ErrAuthorization.Error()))
}

// Dial connects a driver of another process to the daemon's bus at an address such as nats://127.0.0.1:4222, with the
// token that the daemon keeps in tokenFile; or to a cluster, at the addresses of its servers with a comma in between. It
// returns at once even if nobody is there yet, and connects and reconnects for ever, with growing and jittered pauses. The
// token is read anew for each attempt, so a new one needs no restart here. Add [LogTo] to hear of trouble, a refused token
// too. Without TLS only loopback is accepted, since the token could be read on the way.
func Dial(address, tokenFile, name string, more ...nats.Option) (*nats.Conn, error) {
	address, err := checkURLs(strings.Split(address, ","))
	if err != nil {
		return nil, fmt.Errorf("dial bus: %w", err)
	}
	if _, err := readToken(tokenFile); err != nil {
		return nil, fmt.Errorf("dial bus: %w: name the daemon's file DATA-DIR/bus/%s, or a copy of it that nobody else can read", err, TokenFile)
	}
	ping := driverPing
	if strings.Contains(address, ",") {
		ping = driverPingOfSeveral
	}
	opts := append(forever(name),
		nats.CustomInboxPrefix(driverInbox),
		// A server that is cut off says no goodbye; another one of a cluster is to be found before the device counts as lost
		// for long.
		nats.PingInterval(ping),
		nats.MaxPingsOutstanding(driverPings),
		nats.RetryOnFailedConnect(true),
		nats.IgnoreAuthErrorAbort(),
		nats.UserInfoHandler(func() (string, string) {
			// Without a token the server refuses, and that is what gets reported.
			token, _ := readToken(tokenFile)
			return driverUser, token
		}),
	)
	nc, err := nats.Connect(address, append(opts, more...)...)
	if err != nil {
		return nil, fmt.Errorf("dial bus %q: %w", address, err)
	}
	return nc, nil
}

// checkURL refuses an address by which a credential could be read on the way.
func checkURL(address string) error {
	u, err := url.Parse(address)
	if err != nil {
		return err
	}
	if u.User != nil {
		return errors.New("the address carries a user: leave it out, the token file has the credential")
	}
	switch u.Scheme {
	case "nats":
		if _, _, err := loopback(u.Host); err != nil {
			return fmt.Errorf("address %q: %w", address, err)
		}
	case "tls":
		if u.Hostname() == "" {
			return fmt.Errorf("address %q has no host: write tls://HOST:PORT", address)
		}
	default:
		return fmt.Errorf("address %q must begin with nats:// or tls://", address)
	}
	return nil
}

// forever is how every connection here behaves when the other side goes away.
func forever(name string) []nats.Option {
	return []nats.Option{
		nats.Name(name),
		nats.Timeout(connectWithin),
		nats.MaxReconnects(-1),
		nats.CustomReconnectDelay(reconnectDelay),
	}
}

// reconnectDelay doubles with each attempt up to its limit. Half of it is left to chance, so that the drivers of a
// floor do not come back all at once.
func reconnectDelay(attempts int) time.Duration {
	delay := reconnectAtMost
	if attempts < 16 {
		delay = min(reconnectFirst<<max(attempts-1, 0), reconnectAtMost)
	}
	return delay/2 + rand.N(delay/2)
}
