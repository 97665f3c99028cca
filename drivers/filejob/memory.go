package filejob

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"tandem/drivers"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	memoryFile = "job.json"
	mostPast   = 64
)

// Job is a run that has been begun. It is kept from before the first byte leaves until it is settled.
type Job struct {
	Run     string            `json:"run"`
	Fence   uint64            `json:"fence"`
	Pieces  int32             `json:"pieces,omitempty"`
	State   tandemv1.JobState `json:"state"`
	Reasons []string          `json:"reasons,omitempty"`
	Start   time.Time         `json:"start,omitzero"`
	End     time.Time         `json:"end,omitzero"`
	Ready   time.Time         `json:"ready,omitzero"` // it does not end before
	// Starting is a job that is kept, and not yet known to be with the device.
	Starting bool `json:"starting,omitempty"`

	Sum      string        `json:"sha256,omitempty"`
	Size     int64         `json:"size,omitempty"`    // bytes to hand over
	Sent     int64         `json:"sent,omitempty"`    // bytes that may have left
	Handed   bool          `json:"handed,omitempty"`  // the device has all of them
	Takes    time.Duration `json:"takes,omitempty"`   // expected, of the floor's time
	Elapsed  time.Duration `json:"elapsed,omitempty"` // of it, as far as somebody has watched
	Done     bool          `json:"done,omitempty"`    // the device has finished; it waits to be ready
	Stopping bool          `json:"stopping,omitempty"`
	Settled  bool          `json:"settled,omitempty"` // the daemon has recorded an end while the device still works

	// Note is what the machine itself wants to know of it after a restart.
	Note json.RawMessage `json:"note,omitempty"`
}

// Live says whether the job has not ended.
func (j *Job) Live() bool { return j != nil && !drivers.Ended(j.State) }

// Unknown says whether nobody knows how far the job got.
func (j *Job) Unknown() bool {
	return j != nil && j.State == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED && slices.Contains(j.Reasons, drivers.ReasonOutcomeUnknown)
}

func (j *Job) check() error {
	if !drivers.ValidID(j.Run) || j.Fence == 0 || j.Pieces < 0 || j.Size < 0 || j.Sent < 0 || j.Sent > j.Size || j.Takes < 0 || j.Elapsed < 0 {
		return fmt.Errorf("run %q has impossible values", j.Run)
	}
	switch j.State {
	case tandemv1.JobState_JOB_STATE_PROCESSING, tandemv1.JobState_JOB_STATE_COMPLETED, tandemv1.JobState_JOB_STATE_CANCELED,
		tandemv1.JobState_JOB_STATE_ABORTED:
		return nil
	case tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED:
		if len(j.Reasons) > 0 {
			return nil
		}
	default:
	}
	return fmt.Errorf("run %q has the state %v with the reasons %v", j.Run, j.State, j.Reasons)
}

// memory is what outlives the process.
type memory struct {
	Job  *Job     `json:"job,omitempty"`
	Past []string `json:"past,omitempty"` // runs begun before: none is begun again
}

func (m *memory) began(run string) {
	m.Past = append(m.Past, run)
	m.Past = m.Past[max(len(m.Past)-mostPast, 0):]
}

func parseMemory(body []byte) (memory, error) {
	var m memory
	err := json.Unmarshal(body, &m)
	if err == nil && m.Job != nil {
		err = m.Job.check()
	}
	if err != nil {
		return memory{}, fmt.Errorf("%s does not say what was begun: look at the device, and then move the file away: %w", memoryFile, err)
	}
	return m, nil
}

// remember reads what was kept, the first time.
func (d *Desk) remember() error {
	if d.remembered {
		return nil
	}
	if d.env.StateDir == "" {
		return errors.New("there is no folder to keep what was begun in, so that a file might be sent twice: start the driver with a data folder (--data-dir)")
	}
	body, err := drivers.LoadState(d.env.StateDir, memoryFile)
	if err != nil {
		return err
	}
	if body != nil {
		if d.memory, err = parseMemory(body); err != nil {
			return err
		}
	}
	d.remembered = true
	return nil
}

// keep writes what must outlive the process.
func (d *Desk) keep() error {
	body, err := json.Marshal(&d.memory)
	if err != nil {
		return fmt.Errorf("write what was begun: %w", err)
	}
	if err := drivers.SaveState(d.env.StateDir, memoryFile, body); err != nil {
		return err
	}
	d.changed, d.kept = false, d.env.Clock.Now()
	return nil
}
