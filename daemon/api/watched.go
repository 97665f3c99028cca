package api

import (
	"context"
	"fmt"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/peer"
)

const (
	// sendWithin is how long a watcher may keep one message from being handed to its connection before it is cut. What it
	// keeps until then is that message, at most a page, and the 64 KiB that gRPC takes for a stream.
	sendWithin = 20 * time.Second

	// Streams that go on until somebody ends them, of one connection and of all.
	mostWatchesOfOne = 256
	mostWatches      = 2048
	// mostStalls is how many watchers of one connection may be cut before it gets no more: what gRPC took for them it keeps
	// until they read it or the connection ends.
	mostStalls = 32
)

// watchLimits counts watches.
type watchLimits struct {
	ofOne, inAll, stalls int

	mu   sync.Mutex
	open int
}

// connection is what is counted of a client's connection. Guarded by watchLimits.mu.
type connection struct{ open, stalled int }

// Serve serves clients until the listener fails or the gRPC server stops. It knows its connections, so that no one of them
// can take all watches.
func (s *Server) Serve(l net.Listener) error { return s.grpc.Serve(knownListener{l}) }

type knownListener struct{ net.Listener }

func (l knownListener) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return &knownConn{Conn: c, addr: &knownAddr{Addr: c.RemoteAddr()}}, nil
}

// knownConn is a connection whose address, which is what gRPC tells of it, leads to what is counted of it.
type knownConn struct {
	net.Conn
	addr *knownAddr
}

func (c *knownConn) RemoteAddr() net.Addr { return c.addr }

type knownAddr struct {
	net.Addr
	counted connection
}

// enter lets a watch in, and returns how it leaves.
func (w *watchLimits) enter(ctx context.Context) (leave func(stalled bool), err error) {
	one := &connection{}
	if p, ok := peer.FromContext(ctx); ok {
		if known, ok := p.Addr.(*knownAddr); ok {
			one = &known.counted
		}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	tooMany := func(reason, scope string, limit int, text string) error {
		return withInfo(codes.ResourceExhausted, reason, text, map[string]string{"scope": scope, "limit": fmt.Sprint(limit)})
	}
	switch {
	case one.stalled >= w.stalls:
		return nil, tooMany("TOO_MANY_STALLS", "connection", w.stalls,
			fmt.Sprintf("%d watchers of this connection did not take what they were sent; connect anew and resume", one.stalled))
	case one.open >= w.ofOne:
		return nil, tooMany("TOO_MANY_WATCHES", "connection", w.ofOne,
			fmt.Sprintf("this connection has %d watches open already; end some, or share one among those who look", one.open))
	case w.open >= w.inAll:
		return nil, tooMany("TOO_MANY_WATCHES", "daemon", w.inAll,
			fmt.Sprintf("the daemon has %d watches open already; try again later", w.open))
	}
	one.open++
	w.open++
	return func(stalled bool) {
		w.mu.Lock()
		defer w.mu.Unlock()
		one.open--
		w.open--
		if stalled {
			one.stalled++
		}
	}, nil
}

// outlet hands messages to a stream. Its send is called from one goroutine, waiting from others.
type outlet struct {
	stream grpc.ServerStream
	begin  time.Time
	since  atomic.Int64 // when the message began that is being sent, as nanoseconds after begin; 0: none is
}

func (o *outlet) send(m any) error {
	o.since.Store(max(1, int64(time.Since(o.begin))))
	err := o.stream.SendMsg(m)
	o.since.Store(0)
	return err
}

// waiting is how long the message has been waiting that is being sent.
func (o *outlet) waiting() time.Duration {
	since := o.since.Load()
	if since == 0 {
		return 0
	}
	return time.Since(o.begin) - time.Duration(since)
}

// watched runs a stream that goes on until its client leaves, the daemon stops, or the client does not take what it is sent.
// Each of its ends has a reason. Run has a goroutine of its own, because sending to a client that does not read returns
// only once the request has ended.
func (s *Server) watched(stream grpc.ServerStream, run func(ctx context.Context, send func(any) error) error) error {
	leave, err := s.limits.enter(stream.Context())
	if err != nil {
		return err
	}
	stalled := false
	defer func() { leave(stalled) }()
	ctx, cancel := context.WithCancel(stream.Context())
	defer cancel()
	out := &outlet{stream: stream, begin: time.Now()}
	ended := make(chan error, 1)
	go func() {
		var err error
		defer func() { ended <- err }()
		defer s.recovered("watch", &err)
		err = run(ctx, out.send)
	}()
	look := time.NewTicker(max(s.sendWithin/4, 1))
	defer look.Stop()
	for {
		select {
		case err := <-ended:
			return err
		case <-ctx.Done():
			return ctx.Err()
		case <-s.stopping:
			return withInfo(codes.Unavailable, "DAEMON_STOPPING", "the daemon is stopping; resume when it is back", nil)
		case <-look.C:
			if stalled = out.waiting() >= s.sendWithin; stalled {
				s.opt.Log.Info("watcher cut: it did not take what it was sent", zap.Duration("within", s.sendWithin))
				return withInfo(codes.ResourceExhausted, "WATCHER_STALLED",
					fmt.Sprintf("this watcher did not take what it was sent for %v; resume from the last revision you saw", s.sendWithin), nil)
			}
		}
	}
}
