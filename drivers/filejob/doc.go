// Package filejob is what drivers have in common whose device is handed one file and then works on it: it finds the file
// of a run and checks its hash, keeps what was begun before the first byte leaves, takes orders, counts time, and reports.
// It never opens a device: a [Machine] does, which is told what to do and says what it sees.
//
// What was begun is never begun again: not after a fault, not after a restart of the driver, not by another order. Where
// nobody can say how far a run got, it is reported with the reason x-outcome-unknown, and a person looks.
package filejob

import (
	"context"
	"time"

	driverv1 "tandem/proto/tandem/driver/v1"
)

// A Machine is the device of a Desk. The desk calls it from one goroutine, except for Prepare. What the machine does
// beside that goroutine comes back by [Desk.Post].
type Machine interface {
	// Open reaches the device. It returns when ctx ends, and an error if the device cannot be reached.
	Open(ctx context.Context, d *Desk) error
	// Fate says what has become of a job that was under way before this Open.
	Fate(job *Job) Fate
	// Prepare does, on a goroutine of its own, whatever can fail before anything is begun; the device does not move for it.
	// Its error is a *Trouble, or that of ctx.
	Prepare(ctx context.Context, g *driverv1.Grant, file *File) (Start, error)
	// Stop ends a job under way as soon as it is safe; Desk.Finish says when.
	Stop(job *Job)
	// Release stops watching a job whose end somebody else has reported.
	Release(job *Job)
	// Look does what is due while a job is under way, and returns the floor time until it wants to look again.
	Look(job *Job) time.Duration
	// Idle does what is due while none is, and returns the floor time until it is worth calling again; below 0: never.
	Idle() time.Duration
	// Close lets go of the device and leaves it as it is.
	Close()
}

// Fate is what has become of a job that was under way before.
type Fate int

const (
	// Unclear is a job of which nobody knows how far it got.
	Unclear Fate = iota
	// GoesOn is a job with which the device works on, and that can be watched again.
	GoesOn
	// NeverBegun is a job of which it is certain that nothing was handed over.
	NeverBegun
)

// A Start is a device that is ready for a file. One of its functions is called, once.
type Start struct {
	// Size is how many bytes will be handed over.
	Size int64
	// Note is kept in Job.Note.
	Note any
	// Begin begins, and says so by Desk.Begun, or by Desk.NotBegun. CAUTION: from here on the device may move.
	Begin func(job *Job)
	// Abandon lets go again; nothing has moved.
	Abandon func()
}
