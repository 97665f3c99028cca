package main

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"go.uber.org/zap"

	"tandem/daemon/api"
	"tandem/daemon/backup"
	"tandem/daemon/datadir"
	"tandem/daemon/engine"
	"tandem/daemon/history"
	"tandem/daemon/ledger"
	tandemv1 "tandem/proto/tandem/v1"
)

// asideDamaged begins what is added to the name of a damaged history.
const asideDamaged = "damaged-"

// openHistory opens the second copy of the ledger. One that is damaged is kept aside and made anew: the floor does not wait for it.
func openHistory(ctx context.Context, dataDir string, log *zap.Logger) (*history.History, error) {
	past, err := history.Open(ctx, dataDir)
	if !errors.Is(err, history.ErrDamaged) {
		return past, err
	}
	log.Error("history cannot be used", zap.Error(err))
	aside, err := history.SetAside(dataDir, asideDamaged+time.Now().UTC().Format("20060102-150405"))
	if err != nil {
		return nil, err
	}
	log.Warn("history is made anew from the ledger; the damaged one is kept", zap.String("aside", aside))
	return history.Open(ctx, dataDir)
}

// withRemedy adds to a ledger that is refused what brings it back.
func withRemedy(err error, cfg daemonConfig) error {
	if err := withPlaceToGoOn(err, cfg.DataDir, cfg.member != nil); err != nil {
		return err
	}
	if !errors.Is(err, ledger.ErrCorrupt) {
		return err
	}
	if cfg.member != nil { // other daemons and servers may bring it back
		return fmt.Errorf("%w. If the cluster was given another ledger on purpose: stop this daemon and move %s* and %s out of %s. To make the ledger anew from the history of the daemon that led last, "+
			"with every daemon stopped: tandemd ledger rebuild --without-last --data-dir ITS-FOLDER, and then, into an empty cluster: tandemd ledger move --to cluster --data-dir ITS-FOLDER. "+
			"To go back to a backup: tandemd restore FILE --data-dir EMPTY-FOLDER, and then the same move", err, history.FileName, datadir.Followed, cfg.DataDir)
	}
	err = fmt.Errorf("%w. To make the ledger anew from its history: tandemd ledger rebuild --data-dir %q. To go back to a backup: tandemd restore FILE --data-dir EMPTY-FOLDER", err, cfg.DataDir)
	return &usageError{err} // what a disk has lost does not come back: started again and again it would only be read again and again
}

// withPlaceToGoOn adds to a ledger that no floor may go on from where one may; nil if it is about something else.
func withPlaceToGoOn(err error, dataDir string, shared bool) error {
	switch {
	case errors.Is(err, ledger.ErrUnfinished) && shared:
		return fmt.Errorf("%w: run `tandemd ledger move --to cluster` again, with the folder that it is copied from; it goes on where it was", err)
	case errors.Is(err, ledger.ErrUnfinished):
		return &usageError{fmt.Errorf("%w: run `tandemd ledger move --to data-dir --data-dir %q` again; it goes on where it was", err, dataDir)}
	case errors.Is(err, ledger.ErrMovedAway):
		return fmt.Errorf("%w: it goes on in a data folder; start the daemon there without --cluster. To come back: tandemd ledger move --to cluster --data-dir THAT-FOLDER", err)
	}
	return nil
}

// checkSomethingLeft refuses to begin with an empty ledger where there was a history that nobody can read: at this start, or at one
// before it, whose refusal must not count for once only.
func checkSomethingLeft(store *ledger.JetStream, cfg daemonConfig) error {
	if store.Head().Revision > 0 {
		return nil
	}
	entries, err := os.ReadDir(cfg.DataDir)
	if err != nil {
		return fmt.Errorf("look for a damaged history: %w", err)
	}
	var aside []string
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), history.FileName+"."+asideDamaged) {
			aside = append(aside, filepath.Join(cfg.DataDir, e.Name()))
		}
	}
	if len(aside) == 0 {
		return nil
	}
	err = fmt.Errorf("the ledger is empty and its history was damaged, so nobody knows what was there: restore a backup; or, to begin with nothing, remove %s and start again",
		strings.Join(aside, " and "))
	if cfg.member != nil {
		return err // servers that come back may hold the ledger
	}
	return &usageError{err}
}

// backupOf makes backups of a ledger while it is written.
func backupOf(eng *engine.Engine, store *ledger.JetStream, scale float64) api.BackupMaker {
	return func(ctx context.Context, w io.Writer) (*tandemv1.BackupSummary, error) {
		var head ledger.Head
		if err := eng.View(ctx, func(st engine.State) { head = st.Head }); err != nil {
			return nil, err
		}
		totals, err := backup.Write(ctx, w, store, head, backup.About{Program: "tandemd " + version, Made: time.Now(), TimeScale: max(scale, 1)})
		if err != nil {
			return nil, err
		}
		return &tandemv1.BackupSummary{
			Revision: head.Revision, LedgerHead: hex.EncodeToString(head.Hash), Records: totals.Records, Events: totals.Events,
		}, nil
	}
}
