package space

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
)

// Options say what is watched. Dir is required and must exist.
type Options struct {
	// Dir is the daemon's data folder.
	Dir string
	// Limit is the free space, in bytes, below which nothing new is taken. 0: none, only a failing disk is noticed.
	Limit int64
	// Ballast is the space, in bytes, that is held back and given up when a quarter of Limit is left. 0: none.
	Ballast int64
	// Period is how often the disk is looked at; 0 means 500 ms.
	Period time.Duration
	// Measure returns the free space of a folder, in bytes; nil: as the file system says.
	Measure func(dir string) (uint64, error)
	// MeasureSize returns what the disk of a folder holds in all, in bytes; nil: as the file system says.
	MeasureSize func(dir string) (uint64, error)
	// MeasureFiles returns how many more files the disk of a folder can hold, math.MaxUint64 if that is not bounded; nil: as the
	// file system says.
	MeasureFiles func(dir string) (uint64, error)
	// Log gets a line when the daemon becomes read-only, and one when it no longer is. Nil: none.
	Log *zap.Logger
}

const (
	defaultPeriod = 500 * time.Millisecond
	// aboveLimit is the share of the limit that has to be free beyond it before new work is taken again: 1/4.
	aboveLimit = 4
	// lowReserve is the share of the limit at which the ballast is given up: 1/4.
	lowReserve = 4
	// openingShare is the share of the limit without which a store is not opened: 1/16.
	openingShare = 16
	// filesLimit is how many more files the disk must be able to hold, or no new work is taken: each 8 MiB of ledger are one, each
	// snapshot, and each time a driver notes what it has. filesToOpen are those without which a store is not opened.
	filesLimit  = 256
	filesToOpen = 16
)

// Watch looks after the disk of one folder. Its methods may be called from any goroutine.
type Watch struct {
	opt Options

	now atomic.Pointer[Error] // why nothing new is taken; nil: it is

	mu      sync.Mutex
	suspect bool  // a write has failed: believe the disk only once one has worked
	looked  bool  // the disk has been looked at
	unmade  error // why the ballast could not be made the last time

	dir fs.FileInfo // the folder as it was first seen; nil: it has not been
}

// errAnotherFolder means that the data folder's disk was unmounted, as a rule: what is at its path now is the bare folder below. What
// would be written there would be missing when the disk is back, and a store opened there would begin with nothing.
var errAnotherFolder = errors.New("its disk was unmounted: another folder is at this path now")

// New makes a watch. It looks for the first time in Await, Look or Run; before, nothing new is taken.
func New(opt Options) *Watch {
	if opt.Period == 0 {
		opt.Period = defaultPeriod
	}
	if opt.Measure == nil {
		opt.Measure = Free
	}
	if opt.MeasureSize == nil {
		opt.MeasureSize = Size
	}
	if opt.MeasureFiles == nil {
		opt.MeasureFiles = FreeFiles
	}
	if opt.Log == nil {
		opt.Log = zap.NewNop()
	}
	w := &Watch{opt: opt}
	w.now.Store(&Error{Dir: opt.Dir})
	return w
}

// ReadOnly returns why nothing new is taken, nil if it is. It only reads what the last look has found.
func (w *Watch) ReadOnly() error {
	if e := w.now.Load(); e != nil {
		return e
	}
	return nil
}

// Suspect says that a write to the store has failed: nothing new is taken until a look finds that the disk can be written.
func (w *Watch) Suspect() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.suspect = true
	w.look()
}

// Look looks at the disk now.
func (w *Watch) Look() error {
	w.mu.Lock()
	w.look()
	w.mu.Unlock()
	return w.ReadOnly()
}

// Run looks at the disk again and again until ctx ends.
func (w *Watch) Run(ctx context.Context) {
	ticker := time.NewTicker(w.opt.Period)
	defer ticker.Stop()
	for {
		_ = w.Look()
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

// Await returns once a store may be opened in the folder: a small file can be written, and there is some space left for more.
// What is read-only by then may still be so. A store that is opened on a disk that fails may take what it holds for
// damaged, so nothing is opened before. The error is that of ctx, or an *Error at once if it is not the disk that refuses
// but the folder's permissions.
func (w *Watch) Await(ctx context.Context) error {
	for {
		if w.canOpen() {
			return nil
		}
		if err := w.ReadOnly(); errors.Is(err, fs.ErrPermission) {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(w.opt.Period):
		}
	}
}

func (w *Watch) canOpen() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.suspect = true
	w.look()
	e := w.now.Load()
	return e == nil || e.Cause == nil && e.Free >= uint64(w.opt.Limit)/openingShare && (e.NeedFiles == 0 || e.FreeFiles >= filesToOpen)
}

// look finds out how the disk is. The caller holds w.mu.
func (w *Watch) look() {
	before := w.now.Load()
	if !w.looked {
		before = nil // it is not coming back from anything
	}
	w.looked = true
	after := w.judge(before != nil)
	w.now.Store(after)
	switch {
	case after != nil && before == nil:
		w.opt.Log.Warn("read-only: no new work is taken", zap.Error(after))
	case after == nil && before != nil:
		w.opt.Log.Info("no longer read-only: new work is taken")
	}
}

// judge returns why nothing new is taken, and sees to the ballast. To come back from read-only takes more than to stay away
// from it. The caller holds w.mu.
func (w *Watch) judge(readOnly bool) *Error {
	limit, ballast := uint64(w.opt.Limit), uint64(w.opt.Ballast)
	if w.replaced() {
		w.suspect = true
		return &Error{Dir: w.opt.Dir, Cause: errAnotherFolder}
	}
	held := w.ballastHeld()
	free, err := w.opt.Measure(w.opt.Dir)
	if held && err == nil && free < limit/lowReserve {
		w.giveUp()
		held = false
		free, err = w.opt.Measure(w.opt.Dir)
	}
	if w.suspect && err == nil {
		err = w.probe()
		if held && full(err) { // the user's share of the disk is full, not the disk
			w.giveUp()
			held = false
			err = w.probe()
		}
		w.suspect = err != nil
	}
	need := limit + limit/aboveLimit
	if !held {
		need += ballast
	}
	found := &Error{Dir: w.opt.Dir, Free: free, Need: need, Cause: err}
	if err == nil {
		found.FreeFiles, found.NeedFiles = w.scarceFiles(readOnly)
		if size, err := w.opt.MeasureSize(w.opt.Dir); err == nil && size < need {
			found.Size = size
		}
	}
	switch {
	case err != nil, free < limit, readOnly && free < need, found.NeedFiles > 0:
		return found
	case !held && ballast > 0 && free >= need:
		return w.takeBack(found, readOnly)
	}
	return nil
}

// scarceFiles returns how many more files the disk can hold and how many it has to, if those are too few; else zeros. A disk that
// says none and holds one more all the same keeps no such account, as some shares do not.
func (w *Watch) scarceFiles(readOnly bool) (free, need uint64) {
	need = filesLimit + filesLimit/aboveLimit
	free, err := w.opt.MeasureFiles(w.opt.Dir)
	enough := free >= need || !readOnly && free >= filesLimit
	if err != nil || enough || free == 0 && w.probe() == nil {
		return 0, 0
	}
	return free, need
}

// replaced says whether another folder is at the data folder's path than when it was first seen.
func (w *Watch) replaced() bool {
	now, err := os.Stat(w.opt.Dir)
	if err != nil {
		return false // what is wrong is found out at measuring
	}
	if w.dir == nil {
		w.dir = now
	}
	return !os.SameFile(w.dir, now)
}

// giveUp lets reports have the ballast's space.
func (w *Watch) giveUp() {
	w.opt.Log.Warn("ballast given up, so that reports of running work have space", zap.String("size", Bytes(uint64(w.opt.Ballast))))
	w.release()
}

// takeBack makes the ballast. If that cannot be done, what is read-only stays so, and what is not goes on without.
func (w *Watch) takeBack(found *Error, readOnly bool) *Error {
	err := w.hold()
	if err != nil && w.unmade == nil {
		w.opt.Log.Warn("no space is held back for reports", zap.Error(err))
	}
	if w.unmade = err; err != nil && readOnly {
		found.Cause = err
		return found
	}
	return nil
}
