package datadir

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"

	"tandem/daemon/audit"
	"tandem/daemon/history"
	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// Report says what a verified ledger holds.
type Report struct {
	Head     ledger.Head
	Audit    *audit.Audit
	Snapshot uint64   // revision of the newest snapshot; 0: there is none
	History  uint64   // last revision in the history; 0: there is none
	Doubts   []string // what is not as it should be and does not keep the daemon from starting
}

// Verify reads the whole ledger of a data folder: every record's checksum, the chain of hashes, that terms and times never go back;
// replays it, and compares the newest snapshot and the history with it. An error means that the ledger cannot be relied on.
func Verify(ctx context.Context, dir string) (Report, error) {
	var out Report
	doubt := func(err error) { out.Doubts = append(out.Doubts, err.Error()) }
	s, err := openExisting(ctx, dir, doubt)
	if err != nil {
		return out, err
	}
	defer s.close()
	known, err := historyOrDoubt(ctx, dir, doubt)
	if err != nil {
		return out, err
	}
	return out, out.verify(ctx, s.JetStream, known, doubt)
}

// VerifyShared is Verify for a ledger that a cluster keeps, which open opens, and the history in the data folder of one of its
// daemons. Both may be in use: what is stored while it reads is not looked at.
func VerifyShared(ctx context.Context, dir string, open func(survived func(error)) (*ledger.JetStream, error)) (Report, error) {
	var out Report
	doubt := func(err error) { out.Doubts = append(out.Doubts, err.Error()) }
	known, err := historyOrDoubt(ctx, dir, doubt) // first: it follows the ledger, and must not be ahead of it
	if err != nil {
		return out, err
	}
	l, err := open(doubt)
	if err != nil {
		return out, err
	}
	return out, out.verify(ctx, l, known, doubt)
}

// historyOrDoubt reads the whole history and returns its last record; the zero Head if there is no history, or a damaged one.
func historyOrDoubt(ctx context.Context, dir string, doubt func(error)) (known ledger.Head, err error) {
	past, err := history.OpenCopy(dir)
	if errors.Is(err, os.ErrNotExist) {
		return ledger.Head{}, nil
	}
	if err == nil {
		defer past.Close()
		known, err = past.Head(ctx)
	}
	if errors.Is(err, history.ErrDamaged) {
		doubt(fmt.Errorf("%w; the daemon keeps it aside at its next start and makes it anew", err))
		return ledger.Head{}, nil
	}
	if err != nil || known.Revision == 0 {
		return known, err
	}
	if err := past.Check(ctx); err != nil && ctx.Err() == nil {
		doubt(fmt.Errorf("%w: it is no second copy any more; if the ledger itself is good, stop the daemon and move %s away, it makes another one", err, history.FileName))
	}
	return known, nil
}

// verify reads the ledger up to its head.
func (out *Report) verify(ctx context.Context, s *ledger.JetStream, known ledger.Head, doubt func(error)) error {
	out.Head, out.Audit, out.History = s.Head(), new(audit.Audit), known.Revision
	snap, err := s.LoadSnapshot(ctx)
	if err != nil {
		return err
	}
	out.Snapshot = snap.GetRevision()
	var differs error
	err = s.ReplayStored(ctx, 0, out.Head.Revision, func(rec *ledgerv1.Record, stored []byte) error {
		if rec.GetRevision() == known.Revision && !bytes.Equal(stored[len(stored)-ledger.HashSize:], known.Hash) {
			differs = fmt.Errorf("%w: revision %d has another hash than in the history, so one of the two was changed or belongs to another floor: if the history is right, make the ledger anew from it with `tandemd ledger rebuild`; if the ledger is, move %s away",
				ledger.ErrCorrupt, known.Revision, history.FileName)
		}
		if err := out.Audit.Add(rec); err != nil {
			return err
		}
		if rec.GetRevision() == out.Snapshot {
			if err := out.Audit.Agrees(snap); err != nil {
				doubt(err)
			}
		}
		return nil
	})
	if gone, ok := errors.AsType[*ledger.CompactedError](err); ok {
		err = gone.Damage()
	}
	if err == nil {
		err = out.Audit.Finish()
	}
	switch {
	case err != nil:
		return err
	case known.Revision > out.Head.Revision:
		return behindHistory(out.Head.Revision, known.Revision)
	}
	return differs
}

func behindHistory(head, known uint64) error {
	return fmt.Errorf("%w: the ledger ends at revision %d, and its history at %d: it has lost records; make it anew with `tandemd ledger rebuild`",
		ledger.ErrCorrupt, head, known)
}
