package floor

import (
	"time"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
	"tandem/scheduler/learn"
)

// keepRequests is how long an answered request is remembered: a day more than the promise of seven.
const keepRequests = 8 * 24 * time.Hour

// Floor is the state of a shop. It is not safe for concurrent use: its owner is one goroutine.
type Floor struct {
	Revision   uint64    // last record applied
	Term       uint64    // leader term of that record
	CommitTime time.Time // commit time of that record

	file     *tandemv1.FloorFile
	Devices  []*Device // in the order of the floor file; devices it no longer names come last, retired
	byDevice map[string]*Device
	Jobs     []*Job // in the order of intake
	byJob    map[string]*Job
	archive  archive         // ids of jobs that have left the floor
	runs     map[string]*Run // all runs of the jobs kept
	stock    *stock
	people   *people
	load     load
	codes    map[code.Code]subject
	classes  map[string]*Class
	widths   []int64 // the width limits of the floor's devices, ascending

	requests     map[string]*answered
	requestOrder []*answered // oldest first

	learned       *learn.Model
	fastest       map[pace]float64 // no device's factor is, or was, below
	counters      ledgerv1.Counters
	personNumbers map[string]uint64
	deviceNumbers map[string]uint64
	slotNumbers   map[string]uint64 // by rack and slot, see slotKey

	gaps         []fenceGap    // fences that this ledger does not give
	unrecorded   []*Unrecorded // oldest first
	restoredFrom time.Time     // when the backup was made that the ledger comes from

	changes   Changes
	forgotten int  // jobs in Jobs that are to be dropped: see Forget
	frozen    bool // nothing is learned any more: see CloneOpen
}

// subject is what a code stands for; exactly one field is set.
type subject struct {
	job    *Job
	panel  *Panel
	device *Device
	slot   string // of device, which is set too
	lot    *Lot
	person string
}

// answered is a request that has had its answer.
type answered struct {
	event    *ledgerv1.RequestAnswered
	time     time.Time
	revision uint64
}

// Changes lists what has changed since they were last taken, so that an index over the floor need not read all of it.
type Changes struct {
	All     bool // the floor file or the whole state: start afresh
	Steps   []*Step
	Devices []*Device
	People  bool // who is there
}

// New returns an empty floor: no devices, no jobs.
func New() *Floor {
	return &Floor{
		file:          &tandemv1.FloorFile{},
		byDevice:      map[string]*Device{},
		byJob:         map[string]*Job{},
		runs:          map[string]*Run{},
		stock:         newStock(),
		people:        newPeople(),
		codes:         map[code.Code]subject{},
		classes:       map[string]*Class{},
		requests:      map[string]*answered{},
		personNumbers: map[string]uint64{},
		deviceNumbers: map[string]uint64{}, slotNumbers: map[string]uint64{},
		learned: learn.New(nil),
		changes: Changes{All: true},
	}
}

// TakeChanges returns the changes since the last call. A step or device may be listed more than once.
func (f *Floor) TakeChanges() Changes {
	c := f.changes
	f.changes = Changes{}
	return c
}

func (f *Floor) touchStep(s *Step) {
	if s.Drying() {
		f.load.touched(s)
	}
	if !f.changes.All {
		f.changes.Steps = append(f.changes.Steps, s)
	}
}

func (f *Floor) touchDevice(d *Device) {
	if !f.changes.All {
		f.changes.Devices = append(f.changes.Devices, d)
	}
}

// Job returns the job with that id or code.
func (f *Floor) Job(idOrCode string) (*Job, bool) {
	if j, ok := f.byJob[idOrCode]; ok {
		return j, true
	}
	s, ok := f.lookup(idOrCode)
	return s.job, ok && s.job != nil
}

// Device returns the device with that id or code.
func (f *Floor) Device(idOrCode string) (*Device, bool) {
	if d, ok := f.byDevice[idOrCode]; ok {
		return d, true
	}
	s, ok := f.lookup(idOrCode)
	return s.device, ok && s.device != nil && s.slot == ""
}

// Slot returns the rack and the slot with that code.
func (f *Floor) Slot(slotCode string) (*Device, string, bool) {
	s, ok := f.lookup(slotCode)
	return s.device, s.slot, ok && s.slot != "" && s.device.HasSlot(s.slot)
}

// SlotCode returns the code of a slot of the floor file; empty if there is none.
func (f *Floor) SlotCode(device, slot string) string {
	if d := f.byDevice[device]; d == nil || !d.HasSlot(slot) {
		return ""
	}
	return code.Format(code.Slot, f.slotNumbers[slotKey(device, slot)])
}

func slotKey(device, slot string) string { return device + "/" + slot }

// Panel returns the panel with that code.
func (f *Floor) Panel(panelCode string) (*Panel, bool) {
	s, ok := f.lookup(panelCode)
	return s.panel, ok && s.panel != nil
}

// Person returns the id of the person with that badge code.
func (f *Floor) Person(badge string) (string, bool) {
	s, ok := f.lookup(badge)
	return s.person, ok && s.person != ""
}

// Run returns the run with that id, live or ended.
func (f *Floor) Run(id string) (*Run, bool) {
	r, ok := f.runs[id]
	return r, ok
}

// LastFence returns the last fence given.
func (f *Floor) LastFence() uint64 { return f.counters.GetFence() }

// Supervisor says whether the person may act for others.
func (f *Floor) Supervisor(person string) bool {
	for _, p := range f.file.GetPeople() {
		if p.GetId() == person {
			return p.GetSupervisor()
		}
	}
	return false
}

func (f *Floor) lookup(payload string) (subject, bool) {
	c, err := code.Parse(payload)
	if err != nil {
		return subject{}, false
	}
	s, ok := f.codes[c]
	return s, ok
}
