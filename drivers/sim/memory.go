package sim

import (
	"encoding/json"
	"fmt"
	"time"

	"go.uber.org/zap"

	"tandem/drivers"
	tandemv1 "tandem/proto/tandem/v1"
)

const memoryFile = "machine.json"

// memory is what a machine remembers, kept while its driver is dead.
type memory struct {
	Begun    int       `json:"begun"`              // runs begun so far
	Loaded   *job      `json:"loaded,omitempty"`   // in hand, not begun
	Job      *job      `json:"job,omitempty"`      // under way
	Ended    []job     `json:"ended,omitempty"`    // not settled yet
	CleanEnd time.Time `json:"clean_end,omitzero"` // it is being cleared until then
	Trouble  string    `json:"trouble,omitempty"`  // why it stands still
	HelpTime time.Time `json:"help_time,omitzero"` // when a person helps; zero: unknown
	AwayEnd  time.Time `json:"away_end,omitzero"`  // it cannot be reached until then
	FloodEnd time.Time `json:"flood_end,omitzero"`
	Rebooted bool      `json:"rebooted,omitempty"` // and has told nobody yet
	Injected []Fault   `json:"injected,omitempty"`
}

// job is a run as the machine knows it.
type job struct {
	Run     string            `json:"run"`
	Fence   uint64            `json:"fence"`
	Pieces  int32             `json:"pieces"`
	State   tandemv1.JobState `json:"state"`
	Setup   time.Duration     `json:"setup"`
	Work    time.Duration     `json:"work"`
	Ready   time.Time         `json:"ready,omitzero"` // it does not end before
	Start   time.Time         `json:"start,omitzero"`
	End     time.Time         `json:"end,omitzero"`
	Units   int               `json:"units"` // of which the work is made; one piece each, unless there are very many
	Done    int               `json:"done"`  // units finished; -1 during set-up
	Spoiled int32             `json:"spoiled,omitempty"`
	Next    time.Time         `json:"next,omitzero"`  // when the set-up or the unit in work is finished
	Left    time.Duration     `json:"left,omitempty"` // instead, while the machine stands still
	Stop    bool              `json:"stop,omitempty"`
	Why     string            `json:"why,omitempty"` // it was given up

	Boxes    []box     `json:"boxes,omitempty"`    // panels whose marks it reads
	Read     int       `json:"read,omitempty"`     // of these it has read so many
	Readings []reading `json:"readings,omitempty"` // the last of them
	CutTime  time.Time `json:"cut_time,omitzero"`  // the knife stays up until then

	MayStart    bool      `json:"-"` // a machine that is switched on anew begins nothing by itself
	StartBefore time.Time `json:"-"`
	Forgotten   bool      `json:"forgotten,omitempty"` // settled while under way
}

// check says what is wrong with a memory that has been read.
func (m *memory) check() error {
	for i := range m.Ended {
		if err := m.Ended[i].check(); err != nil {
			return err
		}
	}
	for _, j := range []*job{m.Loaded, m.Job} {
		if j != nil {
			if err := j.check(); err != nil {
				return err
			}
		}
	}
	return nil
}

func (j *job) check() error {
	if !drivers.ValidID(j.Run) || j.Fence == 0 || j.Pieces < 0 || j.Units < 1 || j.Units > mostUnits || j.Done < -1 || j.Done > j.Units ||
		j.Spoiled < 0 || j.Spoiled > j.Pieces || j.Setup < 0 || j.Work < 0 || !j.checkMarks() {
		return fmt.Errorf("run %q has impossible values", j.Run)
	}
	return nil
}

// remember reads what the machine has kept, the first time.
func (d *Device) remember() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.loaded || d.env.StateDir == "" {
		return nil
	}
	body, err := drivers.LoadState(d.env.StateDir, memoryFile)
	if err != nil {
		return err
	}
	kept := memory{}
	if body != nil {
		err := json.Unmarshal(body, &kept)
		if err == nil {
			err = kept.check()
		}
		if err != nil {
			return fmt.Errorf("%s is not the memory of a simulated machine, move it away: %w", memoryFile, err)
		}
	}
	kept.Injected = append(kept.Injected, d.m.Injected...) // before the machine was switched on
	d.m.memory, d.m.store, d.loaded = kept, d.store, true
	return nil
}

// store writes what the machine remembers.
func (d *Device) store() error {
	body, err := json.Marshal(&d.m.memory)
	if err != nil {
		return fmt.Errorf("write the machine's memory: %w", err)
	}
	return drivers.SaveState(d.env.StateDir, memoryFile, body)
}

// storeAgain is how long after a memory could not be kept that is tried again, in wall time.
const storeAgain = time.Second

// tellStore says once that the memory cannot be kept, and once that it can again.
func (d *Device) tellStore() {
	lost := d.m.lacking != nil
	if lost == d.lost || d.env.Log == nil {
		return
	}
	if d.lost = lost; lost {
		d.env.Log.Error("what the machine does cannot be stored, and it begins nothing: free space on the disk, or make it writable", zap.String("folder", d.env.StateDir), zap.Error(d.m.lacking))
	} else {
		d.env.Log.Info("what the machine does is stored again")
	}
}
