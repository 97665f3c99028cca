package ipp

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	memoryFile = "jobs.json"
	// mostEnded is how many ended runs are kept for a daemon that has not heard of their end.
	mostEnded = 64
)

// phase is how far a run has come on its way to the printer. It is written down before the request that it is about, so
// that whoever reads it later knows what may have happened.
type phase string

const (
	waiting  phase = ""         // nothing has been asked of the printer
	creating phase = "creating" // a job without documents may be there: it prints nothing
	created  phase = "created"  // it is there
	sending  phase = "sending"  // documents are on their way, and may have arrived
	sent     phase = "sent"     // they have arrived
	cut      phase = "cut"      // they have certainly not arrived whole
)

// memory is what must outlive the process.
type memory struct {
	UpTime int    `json:"up_time,omitempty"` // of the printer, when a run was last written down
	Runs   []*run `json:"runs,omitempty"`
}

// run is a run in hand.
type run struct {
	Run     string            `json:"run"`
	Fence   uint64            `json:"fence"`
	Pieces  int32             `json:"pieces"`
	Phase   phase             `json:"phase,omitempty"`
	Job     int               `json:"job,omitempty"`      // the printer's number of it; 0: none known
	Given   int               `json:"given,omitempty"`    // how many of its documents the printer has surely taken
	KOctets int               `json:"k_octets,omitempty"` // of its documents
	Ready   time.Time         `json:"ready,omitzero"`     // it does not end before
	Stop    bool              `json:"stop,omitempty"`     // it was asked to stop
	Lost    bool              `json:"lost,omitempty"`     // nobody knows what became of it
	Broken  bool              `json:"broken,omitempty"`   // we have ended it ourselves, because its documents are not whole
	State   tandemv1.JobState `json:"state"`
	Reasons []string          `json:"reasons,omitempty"`
	Good    int32             `json:"good,omitempty"`
	Share   float64           `json:"share,omitempty"`
	Start   time.Time         `json:"start,omitzero"`
	End     time.Time         `json:"end,omitzero"`
	Done    bool              `json:"done,omitempty"` // the printer has finished it; it may not be ready yet

	grant     *driverv1.Grant
	mayStart  bool
	starved   int   // times that its job was seen without its document
	asked     bool  // Cancel-Job has been answered
	preparing bool  // the printer works on it and prints nothing yet
	work      *work // under way beside the loop; nil: nothing
	read      *work // its documents have been read, and are as they should be; nil: not yet
}

// jobName is the job-name of a run. It holds all that is needed to report the run when everything else is lost.
func (d *device) jobName(r *run) string {
	return fmt.Sprintf("tandem.%s.%s.%d.%d", d.env.Device, r.Run, r.Fence, r.Pieces)
}

// parseName reads a job-name of this device, and gives the run as far as it tells. Nil: it is a job of others.
func (d *device) parseName(name string) *run {
	rest, ok := strings.CutPrefix(name, "tandem."+d.env.Device+".")
	parts := strings.Split(rest, ".")
	if !ok || len(parts) != 3 || !drivers.ValidID(parts[0]) {
		return nil
	}
	fence, err := strconv.ParseUint(parts[1], 10, 64)
	pieces, err2 := strconv.ParseUint(parts[2], 10, 31)
	if err != nil || err2 != nil || fence == 0 {
		return nil
	}
	return &run{Run: parts[0], Fence: fence, Pieces: int32(pieces), State: tandemv1.JobState_JOB_STATE_PENDING}
}

// owns says whether a job's name is one of a run, whatever pieces it was granted.
func (d *device) owns(r *run, name string) bool {
	named := d.parseName(name)
	return named != nil && named.Run == r.Run && named.Fence == r.Fence
}

// find returns a run in hand, or nil.
func (d *device) find(name string) *run {
	if i := slices.IndexFunc(d.Runs, func(r *run) bool { return r.Run == name }); i >= 0 {
		return d.Runs[i]
	}
	return nil
}

// ended says whether it is over.
func (r *run) ended() bool { return drivers.Ended(r.State) }

// atPrinter says whether the printer has, or may have, something of it that can print.
func (r *run) atPrinter() bool {
	return !r.ended() && !r.Lost && !r.Done && (r.Phase == created || r.Phase == sending || r.Phase == sent || r.Phase == cut)
}

// remember reads what was kept, the first time.
func (d *device) remember() error {
	if d.loaded || d.env.StateDir == "" {
		return nil
	}
	body, err := drivers.LoadState(d.env.StateDir, memoryFile)
	if err != nil {
		return err
	}
	var kept memory
	if body != nil {
		if err = json.Unmarshal(body, &kept); err == nil {
			err = kept.check()
		}
		if err != nil {
			return fmt.Errorf("%s in %s is not what this driver has written, move it away: %w", memoryFile, d.env.StateDir, err)
		}
	}
	d.memory, d.loaded = kept, true
	return nil
}

func (m *memory) check() error {
	for _, r := range m.Runs {
		if r == nil {
			return errors.New("a run is null")
		}
		_, known := tandemv1.JobState_name[int32(r.State)]
		if !drivers.ValidID(r.Run) || r.Fence == 0 || r.Pieces < 0 || r.Good < 0 || r.Good > r.Pieces || r.Job < 0 || r.Given < 0 || !known ||
			!slices.Contains([]phase{waiting, creating, created, sending, sent, cut}, r.Phase) {
			return fmt.Errorf("run %.80q has impossible values", r.Run)
		}
	}
	return nil
}

// keep writes down every run of which the printer may know, and the ended ones.
func (d *device) keep() error {
	if d.env.StateDir == "" {
		return nil
	}
	var kept memory
	ended := 0
	for _, r := range slices.Backward(d.Runs) {
		if r.ended() {
			if ended++; ended > mostEnded {
				continue
			}
		} else if r.Phase == waiting {
			continue
		}
		kept.Runs = append(kept.Runs, r)
	}
	slices.Reverse(kept.Runs)
	body, err := json.Marshal(kept)
	if err != nil {
		return fmt.Errorf("write down runs: %w", err)
	}
	was := string(body)
	if was == d.kept && !d.unkept {
		return nil
	}
	kept.UpTime = d.UpTime // changes all the time, and is not worth a write
	if body, err = json.Marshal(kept); err != nil {
		return fmt.Errorf("write down runs: %w", err)
	}
	if err := drivers.SaveState(d.env.StateDir, memoryFile, body); err != nil {
		return err
	}
	d.kept = was
	return nil
}

// store is keep, and reports whether it has worked. What could not be written down is not begun: the next driver would begin
// it again.
func (d *device) store() bool {
	err := d.keep()
	switch {
	case err != nil && !d.unkept:
		d.env.Log.Error("runs cannot be written down: nothing begins until they can", zap.Error(err))
	case err == nil && d.unkept:
		d.env.Log.Info("runs can be written down again")
	}
	d.unkept = err != nil
	return err == nil
}
