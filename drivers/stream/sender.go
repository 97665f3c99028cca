package stream

import (
	"context"
	"errors"
	"sync/atomic"
	"time"
)

// readyAgain is how long, in wall time, a wire that holds the line back is left alone.
const readyAgain = 10 * time.Millisecond

// errSilent says that nothing is heard of the device any more.
var errSilent = errors.New("the device does not acknowledge anything any more: is the cable out, or the device switched off?")

// sender sends the bytes of one run, chunk by chunk, no faster than the pace. It never sends a byte twice.
type sender struct {
	line      line
	pace      float64 // bytes a second of wall time, which is a line's; 0: no limit
	chunk     int
	lostAfter time.Duration
	held      *atomic.Bool // by XOFF
	endWrite  bool         // behind the last byte

	sent  atomic.Int64  // bytes that may have left, from the first of the file
	last  atomic.Bool   // the last bytes are on their way, or have left
	ended chan struct{} // closed when it sends nothing more
}

// send sends all bytes from one on. Its error is that of ctx if it was called back.
func (s *sender) send(ctx context.Context, body []byte, from int64) error {
	s.sent.Store(from)
	next := time.Now() // when the pace lets the next chunk go
	for left := body[from:]; len(left) > 0; {
		if err := s.wait(ctx, &next); err != nil {
			return err
		}
		chunk := left[:min(len(left), s.chunk)]
		s.last.Store(len(chunk) == len(left))
		n, err := s.line.Write(chunk)
		left = left[n:]
		s.sent.Add(int64(n))
		switch {
		case errors.Is(err, errNotTaken):
			if s.line.Silent(s.lostAfter) {
				return errSilent
			}
		case err != nil:
			return err
		}
		if s.pace > 0 {
			next = next.Add(time.Duration(float64(n) / s.pace * float64(time.Second)))
		}
	}
	return s.flush(ctx)
}

// wait returns when the pace and the device let a chunk go.
func (s *sender) wait(ctx context.Context, next *time.Time) error {
	now := time.Now()
	if wait := next.Sub(now); wait > 0 {
		timer := time.NewTimer(wait)
		defer timer.Stop()
		select {
		case <-timer.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	} else {
		*next = now // what was not used is not made up for
	}
	for {
		ready, err := s.line.Ready()
		if err != nil {
			return err
		}
		if ready && !s.held.Load() {
			return ctx.Err()
		}
		if err := pause(ctx); err != nil {
			return err
		}
	}
}

func pause(ctx context.Context) error {
	timer := time.NewTimer(readyAgain)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// flush waits until the last bytes have left.
func (s *sender) flush(ctx context.Context) error {
	for {
		err := s.line.Flush()
		if !errors.Is(err, errNotTaken) {
			if err == nil && s.endWrite {
				err = s.line.EndWrite()
			}
			return err
		}
		if err := pause(ctx); err != nil {
			return err
		}
		if s.line.Silent(s.lostAfter) {
			return errSilent
		}
	}
}

// say sends a few bytes that are no part of a file.
func say(ctx context.Context, l line, words []byte) error {
	for len(words) > 0 {
		n, err := l.Write(words)
		words = words[n:]
		if err != nil && !errors.Is(err, errNotTaken) {
			return err
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
	}
	return nil
}
