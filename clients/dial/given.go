package dial

import (
	"context"
	"errors"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// Why an attempt was given up here.
var (
	errAnotherServes = errors.New("another daemon leads now")
	errNoAnswer      = errors.New("the daemon has not answered")
)

// asking is the key under which a context carries the *asked of its attempt.
type asking struct{}

// asked tells an attempt which daemon it has gone to.
type asked struct{ latest chan *choice }

// set is called for each pick: one attempt may have several, one after the other.
func (a *asked) set(c *choice) {
	for {
		select {
		case a.latest <- c:
			return
		default:
		}
		select {
		case <-a.latest:
		default:
		}
	}
}

// attempt makes one of several attempts. It is given up when another daemon begins to serve, or, where within is not
// zero, after that time; given says which. The daemon is told of the end of the caller's time, not of this one's: were
// it told, it could answer that the time is up before that is known here, and the answer would look like its own.
func attempt(ctx context.Context, within time.Duration, call func(context.Context) error) (given, err error) {
	ctx, giveUp := context.WithCancelCause(ctx)
	defer giveUp(nil)
	ctx = watched(ctx, within, giveUp)
	err = call(ctx)
	return context.Cause(ctx), err
}

// watched returns the context for an attempt that is given up as attempt says, until ctx ends.
func watched(ctx context.Context, within time.Duration, giveUp context.CancelCauseFunc) context.Context {
	a := &asked{latest: make(chan *choice, 1)}
	go func() {
		var late <-chan time.Time
		if within > 0 {
			timer := time.NewTimer(within)
			defer timer.Stop()
			late = timer.C
		}
		var over <-chan struct{}
		for {
			select {
			case <-ctx.Done():
				return
			case c := <-a.latest:
				over = c.over
			case <-over:
				giveUp(errAnotherServes)
				return
			case <-late:
				giveUp(errNoAnswer)
				return
			}
		}
	}()
	return context.WithValue(ctx, asking{}, a)
}

// whileItLeads ends a stream, such as a watch, when another daemon than the one that sends it begins to serve: one that was
// cut off would leave it silent. To the caller it is as if that daemon had gone, so it asks anew.
func whileItLeads(ctx context.Context, desc *grpc.StreamDesc, cc *grpc.ClientConn, method string, open grpc.Streamer, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	ctx, giveUp := context.WithCancelCause(ctx)
	ctx = watched(ctx, 0, giveUp)
	stream, err := open(ctx, desc, cc, method, opts...)
	if err != nil {
		given := context.Cause(ctx)
		giveUp(nil)
		return nil, gone(given, err)
	}
	return &leadStream{ClientStream: stream, ctx: ctx, giveUp: giveUp}, nil
}

// leadStream is a stream that ends with the lead of its daemon.
type leadStream struct {
	grpc.ClientStream
	ctx    context.Context //nolint:containedctx // the stream's own, asked why it has ended
	giveUp context.CancelCauseFunc
}

// RecvMsg implements grpc.ClientStream.
func (s *leadStream) RecvMsg(m any) error {
	err := s.ClientStream.RecvMsg(m)
	if err != nil { // the stream has ended, and nothing watches it any more
		err = gone(context.Cause(s.ctx), err)
		s.giveUp(nil)
	}
	return err
}

// gone is the error of a stream that was given up here; other errors are left as they are.
func gone(given, err error) error {
	if errors.Is(given, errAnotherServes) && status.Code(err) == codes.Canceled {
		return status.Error(codes.Unavailable, errAnotherServes.Error()+"; the one that was asked may be cut off")
	}
	return err
}
