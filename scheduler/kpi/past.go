package kpi

import (
	"time"

	tandemv1 "tandem/proto/tandem/v1"
)

// Past is what a ledger holds of a time, as rows.
type Past struct {
	Interval          // To is not after what is known
	Revision uint64   // last record in it
	Floors   []Floor  // in their order; the first holds at From, if there was a floor file
	People   []People // in their order; the first may have been said before From
	Devices  []Device // by id
	Runs     []Run    // that were granted before To and had not ended at From, in the order of their fences
	Before   []Run    // of each device, the last run that began before From, if it is not in Runs
	Jobs     []Job    // that were open, accepted, due or finished in it, in the order of intake
	Found    []Found  // spoiled pieces, booked by people, in their order
	Remakes  []Remake // in their order
	Lots     []Lot    // received in it, or taken from by one of its runs, by id
	Loads    []Load   // in their order
	Stops    []Stop   // of runs, in their order
}

// Floor is a floor file and from when it held.
type Floor struct {
	From time.Time
	File *tandemv1.FloorFile
}

// People is a word on who is there, in place of the shifts: until the next word, and not beyond Until.
type People struct {
	From, Until time.Time // zero Until: the shifts hold again
	Operators   int
}

// Device is what is known of one device.
type Device struct {
	ID      string
	Changes []Change // from the last one at or before From, and before the beginnings of its runs, to the ends of its runs
}

// Run is one grant of a step to a device.
type Run struct {
	ID, Job, Step, Operation, Device string
	Fence                            uint64
	Number                           int // of its step
	Granted, Started, Ended          time.Time
	State                            tandemv1.JobState
	Reasons                          []string
	Pieces, Good, Spoiled            int64
	Found                            int64 // of Good, found spoiled by a person since
	Remake                           bool  // it makes spoiled pieces again

	Supply, Mode, Film, Blade string        // that it needs on the device; empty: any
	WidthUm, LengthUm         int64         // of the web for Pieces; 0: not known
	Planned                   time.Duration // the model's time for Pieces, changeover and set-up left out
	Lots                      []Use
	PiecesM2                  float64 // area of Pieces; 0: their sizes are not known
}

// Use is what a run took from a lot.
type Use struct {
	Lot      string
	LengthUm int64
}

// Made returns the pieces it has made, spoiled ones too.
func (r *Run) Made() int64 { return r.Good + r.Spoiled }

// began says whether it was ever under way: others were taken back, or refused, before.
func (r *Run) began() bool { return !r.Started.IsZero() || r.Made() > 0 }

// AreaM2 returns the web that it has worked on, in square metres; 0 if its size is not known.
func (r *Run) AreaM2() float64 {
	if r.Pieces == 0 {
		return 0
	}
	return float64(r.WidthUm) / 1e6 * float64(r.LengthUm) / 1e6 * float64(r.Made()) / float64(r.Pieces)
}

// Job is what a customer ordered, or a gang run.
type Job struct {
	ID, Code, Name         string
	Gang                   bool // the shared panels of other jobs
	Accepted, Due, Started time.Time
	Finished               time.Time
	State                  tandemv1.JobState
	Pieces, Good, Spoiled  int64
	Overs                  int64
	Busy                   time.Duration // of devices for it, up to now
}

// Found is a person's word on spoiled pieces.
type Found struct {
	At                time.Time
	Actor             string
	Job, Panel, Step  string
	Operation, Device string // of the step's run before it; empty: nobody knows
	Pieces            int64
	Note              string
}

// Remake is a person's word that spoiled pieces are made again.
type Remake struct {
	At              time.Time
	Actor           string
	Job, Panel, For string // the new panel, and the one whose pieces it replaces
	Pieces          int64
	Note            string
}

// Lot is a roll or a stack.
type Lot struct {
	ID, Code, Media string
	Received        time.Time
	LengthUm        int64 // when received
}

// Load is media put on a device.
type Load struct {
	At                        time.Time
	Actor, Device, Media, Lot string
}

// Stop is a run that came to a stand.
type Stop struct {
	At                     time.Time
	Run, Job, Step, Device string
	Reasons                []string
	Good, Spoiled          int64
}
