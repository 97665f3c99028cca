package api

import (
	"context"
	"errors"
	"time"

	"tandem/daemon/engine"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	bookmarkEvery = 30 * time.Second
	// mostPageBytes and mostPageRecords bound what is read at once for a watcher that is behind, and so what a slow one keeps.
	mostPageBytes   = 64 << 10
	mostPageRecords = 4096
	// mostReaders is how many watchers that are behind are read for at the same moment.
	mostReaders = 4
)

// watcher sends what one watch asks for. It belongs to one goroutine.
type watcher struct {
	server *Server
	about  *about
	sub    *subscriber
	send   func(any) error
	after  uint64 // everything up to this revision has been sent
	mark   uint64 // of that revision; 0 if it has not been looked up
	sent   time.Time
}

// run sends every record after w.after, each exactly once, until ctx ends or something fails.
func (w *watcher) run(ctx context.Context) error {
	bookmark := time.NewTimer(bookmarkEvery)
	defer bookmark.Stop()
	w.sent = time.Now()
	quiet := false // for long enough
	for {
		list, readTo, upto, err := w.server.hub.next(w.sub, w.about)
		if err != nil {
			return err
		}
		if readTo > w.after {
			if err := w.catchUp(ctx, readTo); err != nil {
				return err
			}
			continue
		}
		for _, k := range list {
			if k.rec.GetRevision() <= w.after {
				continue
			}
			if err := w.sendShared(k); err != nil {
				return err
			}
		}
		if upto > w.after {
			w.after, w.mark = upto, 0
		}
		if len(list) > 0 || readTo > 0 {
			continue
		}
		if quiet { // and what there was meanwhile is not for this watcher
			quiet = false
			if err := w.sendBookmark(ctx); err != nil {
				return err
			}
			bookmark.Reset(bookmarkEvery - time.Since(w.sent))
		}
		select {
		case <-w.sub.wake:
		case <-bookmark.C:
			quiet = true
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (w *watcher) sendShared(k *shared) error {
	data, err := k.encode(w.about)
	if err != nil {
		return err
	}
	if data != nil {
		if err := w.send(data); err != nil {
			return err
		}
		w.sent = time.Now()
	}
	w.after, w.mark = k.rec.GetRevision(), k.mark
	return nil
}

// sendBookmark sends one if nothing has been sent for a while.
func (w *watcher) sendBookmark(ctx context.Context) error {
	if time.Since(w.sent) < bookmarkEvery {
		return nil
	}
	if w.mark == 0 {
		var err error
		w.mark, err = w.server.markAt(ctx, w.after)
		if _, gone := errors.AsType[*engine.CompactedError](err); err != nil && !gone {
			return err
		}
	}
	m := &tandemv1.WatchEventsResponse{Revision: w.after, Mark: w.mark, Payload: &tandemv1.WatchEventsResponse_Bookmark{Bookmark: &tandemv1.Bookmark{}}}
	if err := w.send(m); err != nil {
		return err
	}
	w.sent = time.Now()
	return nil
}

// catchUp reads what a watcher has missed, from memory or the ledger, up to a revision that is there.
func (w *watcher) catchUp(ctx context.Context, to uint64) error {
	for w.after < to {
		page, last, mark, err := w.page(ctx, to)
		if err != nil {
			return err
		}
		for _, data := range page {
			if err := w.send(data); err != nil {
				return err
			}
			w.sent = time.Now()
		}
		w.after, w.mark = last, mark
		if err := w.sendBookmark(ctx); err != nil { // nothing on this page, and perhaps on many more
			return err
		}
	}
	return nil
}

// page reads the next records in the form in which they are sent, so that nothing is held open in the ledger while a slow
// watcher takes them.
func (w *watcher) page(ctx context.Context, to uint64) (page []encoded, last, mark uint64, err error) {
	select {
	case w.server.readers <- struct{}{}:
		defer func() { <-w.server.readers }()
	case <-ctx.Done():
		return nil, 0, 0, ctx.Err()
	}
	size, records := 0, 0
	err = w.server.engine.Watch(ctx, w.after, func(rec *ledgerv1.Record) error {
		k := w.server.hub.get(rec.GetRevision())
		if k == nil {
			k = share(rec)
		}
		w.about.follow(rec)
		data, err := k.encode(w.about)
		if err != nil {
			return err
		}
		if data != nil {
			page = append(page, data)
			size += len(data)
		}
		records++
		last, mark = rec.GetRevision(), k.mark
		if last >= to || size >= mostPageBytes || records >= mostPageRecords {
			return errEnough
		}
		return nil
	}, nil)
	if errors.Is(err, errEnough) {
		err = nil
	}
	return page, last, mark, err
}

// markAt returns the mark of a revision that the ledger holds.
func (s *Server) markAt(ctx context.Context, revision uint64) (uint64, error) {
	if k := s.hub.get(revision); k != nil {
		return k.mark, nil
	}
	var mark uint64
	err := s.engine.Watch(ctx, revision-1, func(rec *ledgerv1.Record) error {
		mark = markOf(rec)
		return errEnough
	}, nil)
	if errors.Is(err, errEnough) {
		err = nil
	}
	return mark, err
}

// resumable says why a watch cannot go on from a revision: the ledger has not come as far, or has another one of its number.
// That the ledger no longer holds what comes after it is found when it is read.
func (s *Server) resumable(ctx context.Context, revision, mark, newest uint64) error {
	if revision > newest {
		return &aheadError{revision, newest}
	}
	if mark == 0 || revision == 0 {
		return nil
	}
	has, err := s.markAt(ctx, revision)
	if _, gone := errors.AsType[*engine.CompactedError](err); gone {
		return nil // nothing to compare with; what comes after it may still be held
	}
	if err == nil && has != mark {
		return &changedError{revision}
	}
	return err
}
