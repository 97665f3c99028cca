// Package follow keeps a watch on the ledger alive across lost connections and restarts of the daemon.
//
// It resumes after the last revision that was handled whole, so nothing is seen twice or left out. Where the ledger no
// longer reaches back that far, or has another past since it was restored from a backup, it says so and begins again with the
// present state. It never skips or ends silently.
package follow

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	tandemv1 "tandem/proto/tandem/v1"
)

const (
	// Pauses between attempts to resume double from the first to the longest.
	firstPause   = 250 * time.Millisecond
	longestPause = 5 * time.Second
	// settled is how long a new stream without a message must have held for the daemon to count as back: on a quiet
	// floor the first message may take half a minute.
	settled = time.Second
)

// Request says what to watch.
type Request struct {
	// Revision is the last one already known; 0 asks for the present state first.
	Revision uint64
	// Mark is what came with it; 0 if that is not known any more.
	Mark uint64
	// Job selects events about one job. Empty: all.
	Job string
	// Device selects events about one device. Empty: all.
	Device string
}

// Watcher takes what a watch brings. Its methods are called one after another from the goroutine that called Events.
type Watcher interface {
	// Restart comes before the first part of the present state: whatever was known before is void.
	Restart()
	// Message brings a revision, a part of the present state, or a bookmark. An error ends the watch.
	Message(*tandemv1.WatchEventsResponse) error
	// Lost says once that the daemon is away; the watch goes on when it is back.
	Lost(err error)
	// Back says that the watch goes on after the given revision, with nothing missed.
	Back(revision uint64)
	// Gap says that the watch cannot go on from where it was. The present state follows.
	Gap(Gap)
}

// Gap is why a watch begins again with the present state.
type Gap struct {
	// Revision is the last one that was seen.
	Revision uint64
	// Oldest is the oldest that the ledger still has, which no longer reaches back to Revision; 0: unknown.
	Oldest uint64
	// Restored says that the ledger's past is not what was seen: it was restored from a backup, or is another one.
	Restored bool
}

// Events watches until the context ends, whose error it returns, or until going on makes no sense: the watcher's own
// error, or one of the daemon's that a new attempt cannot mend.
func Events(ctx context.Context, client tandemv1.EventServiceClient, request Request, w Watcher) error {
	f := follower{client: client, request: request, watcher: w}
	pause := firstPause
	for {
		before := f.messages
		err := f.stream(ctx)
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case status.Code(err) == codes.OutOfRange && f.request.Revision > 0:
			w.Gap(gapOf(f.request.Revision, err))
			f.request.Revision, f.request.Mark = 0, 0
			continue
		case !passing(err):
			return err
		}
		if f.messages > before {
			pause = firstPause
		}
		if !f.lost {
			f.lost = true
			w.Lost(err)
		}
		if err := wait(ctx, pause); err != nil {
			return err
		}
		pause = min(2*pause, longestPause)
	}
}

type follower struct {
	client   tandemv1.EventServiceClient
	request  Request
	watcher  Watcher
	messages int  // messages handled in all
	lost     bool // the watcher believes the daemon is away
	inState  bool // parts of the present state have come, but not the last one
}

// stream runs one stream to its end.
func (f *follower) stream(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	f.inState = false
	stream, err := f.client.WatchEvents(ctx, &tandemv1.WatchEventsRequest{
		Revision: f.request.Revision,
		Mark:     f.request.Mark,
		Job:      f.request.Job,
		Device:   f.request.Device,
	})
	if err != nil {
		return err
	}
	received := make(chan result)
	go receive(ctx, stream, received)
	var held <-chan time.Time
	if f.lost {
		timer := time.NewTimer(settled)
		defer timer.Stop()
		held = timer.C
	}
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-held:
			f.found()
		case r := <-received:
			if r.err != nil {
				return r.err
			}
			f.found()
			f.messages++
			if err := f.take(r.message); err != nil {
				return &ended{err}
			}
		}
	}
}

// found tells the watcher once that the daemon is back.
func (f *follower) found() {
	if f.lost {
		f.lost = false
		f.watcher.Back(f.request.Revision)
	}
}

type result struct {
	message *tandemv1.WatchEventsResponse
	err     error
}

// receive hands on what comes until the stream or the context ends.
func receive(ctx context.Context, stream grpc.ServerStreamingClient[tandemv1.WatchEventsResponse], out chan<- result) {
	for {
		message, err := stream.Recv()
		select {
		case out <- result{message, err}:
		case <-ctx.Done():
			return
		}
		if err != nil {
			return
		}
	}
}

func (f *follower) take(message *tandemv1.WatchEventsResponse) error {
	snapshot := message.GetSnapshot()
	if message.GetCommit() != nil && message.GetRevision() <= f.request.Revision {
		return fmt.Errorf("watch events: the daemon sent revision %d after %d", message.GetRevision(), f.request.Revision)
	}
	if snapshot != nil && !f.inState {
		f.watcher.Restart()
		f.inState = true
	}
	if err := f.watcher.Message(message); err != nil {
		return err
	}
	// Only the last part completes the present state: after a break in the middle it has to come again in whole.
	if snapshot == nil || snapshot.GetLast() {
		f.request.Revision, f.request.Mark = message.GetRevision(), message.GetMark()
		f.inState = false
	}
	return nil
}

// ended marks an error that a new stream cannot mend.
type ended struct{ err error }

func (e *ended) Error() string { return e.err.Error() }
func (e *ended) Unwrap() error { return e.err }

// passing reports whether the watch can go on in a new stream after err.
func passing(err error) bool {
	if e := (*ended)(nil); errors.As(err, &e) {
		return false
	}
	if errors.Is(err, io.EOF) {
		return true
	}
	switch status.Code(err) {
	case codes.Unavailable, // away, or stopping
		codes.ResourceExhausted, // this watcher stalled and was ended, or there are too many
		codes.Canceled,          // the daemon's own context: it is stopping
		codes.Aborted:
		return true
	default:
		return false
	}
}

// gapOf reads what the daemon says about a revision that it cannot go on from.
func gapOf(revision uint64, err error) Gap {
	g := Gap{Revision: revision}
	for _, detail := range status.Convert(err).Details() {
		info, ok := detail.(*errdetails.ErrorInfo)
		if !ok {
			continue
		}
		switch info.GetReason() {
		case "REVISION_AHEAD", "HISTORY_CHANGED":
			g.Restored = true
		default:
			if oldest, err := strconv.ParseUint(info.GetMetadata()["oldest_revision"], 10, 64); err == nil {
				g.Oldest = oldest
			}
		}
	}
	return g
}

func wait(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return nil
	}
}
