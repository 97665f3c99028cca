package sim

import (
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"slices"
	"time"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	mostUnits  = 10_000 // the steps in which a run is simulated; a run of more pieces makes several in one step
	mostEnded  = 16
	defaultFor = time.Second // of a flood
	rollOut    = "media-empty-error"
)

// machine is the simulated machine itself, which goes on whether or not anybody asks. It moves from event to event, each
// at its own floor time, so asking it late gives the same as asking it often.
type machine struct {
	setup        // how it is made
	memory       // what it remembers
	changed bool // memory is newer than what has been kept

	store   func() error // keeps the memory; nil: it is not kept
	lacking error        // why the memory could not be kept the last time; nil: it could
}

// keep keeps what the machine remembers, if that has changed.
func (m *machine) keep() {
	if !m.changed || m.store == nil {
		return
	}
	if m.lacking = m.store(); m.lacking == nil {
		m.changed = false
	}
}

// setup is how a machine is made.
type setup struct {
	pace      float64 // times the expected durations
	noise     float64 // greatest share by which a piece takes longer or shorter
	seed      uint64
	setUp     time.Duration // where a grant expects none
	pieceTime time.Duration // where a grant expects none
	cleanup   time.Duration
	helpAfter time.Duration // 0: nobody comes
	markWait  time.Duration // from reading a panel's marks to cutting it
	faults    []Fault
}

func (m *machine) load(g *driverv1.Grant) {
	j := &job{
		Run: g.GetRun(), Fence: g.GetFence(), Pieces: g.GetPieces(), State: tandemv1.JobState_JOB_STATE_PENDING,
		Setup: g.GetExpectedSetup().AsDuration(), Work: g.GetExpectedWork().AsDuration(),
		Units: min(max(int(g.GetPieces()), 1), mostUnits), Done: -1, Boxes: boxes(g),
	}
	if g.GetReadyTime() != nil {
		j.Ready = g.GetReadyTime().AsTime()
	}
	if g.GetExpectedSetup() == nil {
		j.Setup = m.setUp
	}
	if g.GetExpectedWork() == nil {
		j.Work = m.pieceTime * time.Duration(max(g.GetPieces(), 1))
	}
	if expected, model := j.Setup+j.Work, g.GetModelDuration().AsDuration(); expected > 0 && model > 0 {
		// What the daemon has learned of this machine is not taken for a property of it a second time.
		j.Setup = time.Duration(float64(j.Setup) * float64(model) / float64(expected))
		j.Work = model - j.Setup
	}
	j.Setup, j.Work = m.paced(j.Setup), m.paced(j.Work)
	m.Loaded, m.changed = j, true
}

func (m *machine) paced(d time.Duration) time.Duration {
	return time.Duration(min(float64(d)*m.pace, float64(100*365*24*time.Hour)))
}

// allow lets the loaded run begin, if the machine is free and it is not too late.
func (m *machine) allow(may bool, before time.Time) {
	m.Loaded.MayStart, m.Loaded.StartBefore = may, before
}

// advance brings the machine to a time, and returns when something will happen next; zero: nothing will by itself.
func (m *machine) advance(now time.Time) (next time.Time) {
	for {
		at, event := m.next()
		if at.IsZero() || at.After(now) {
			return at
		}
		event(at)
		m.begin(at)
	}
}

// next returns the machine's next event.
func (m *machine) next() (at time.Time, event func(time.Time)) {
	soonest := func(t time.Time, f func(time.Time)) {
		if !t.IsZero() && (at.IsZero() || t.Before(at)) {
			at, event = t, f
		}
	}
	if m.Trouble != "" {
		soonest(m.HelpTime, m.help)
	} else if m.Job != nil {
		soonest(m.Job.Next, m.step)
	}
	soonest(m.CleanEnd, func(time.Time) { m.CleanEnd = time.Time{} })
	soonest(m.AwayEnd, func(time.Time) { m.AwayEnd = time.Time{} })
	soonest(m.FloodEnd, func(time.Time) { m.FloodEnd = time.Time{} })
	return at, event
}

// begin starts the loaded run if it may, after whatever could have made it possible. It is noted before anything moves: a
// machine that could not remember it would begin again with the next driver. If it cannot be noted the start is void.
//
// CAUTION: this is where a real machine begins to move. Nothing in this package, in the daemon or on the bus is a safety
// function: guards, light curtains and the emergency stop of the machine are, and whoever starts it looks first whether
// hands and tools are clear. After a fault, a restart or a return of power nothing begins without a new start.
func (m *machine) begin(now time.Time) {
	j := m.Loaded
	if j == nil || !j.MayStart || m.Job != nil || m.Trouble != "" || !m.CleanEnd.IsZero() {
		return
	}
	if !j.StartBefore.IsZero() && now.After(j.StartBefore) {
		j.MayStart = false
		return
	}
	before, loaded := m.memory, *j
	before.Injected = slices.Clone(m.Injected)
	m.Begun++
	for i := range m.Injected {
		if m.Injected[i].Run == 0 {
			m.Injected[i].Run = m.Begun
		}
	}
	j.State, j.Start, j.Next = tandemv1.JobState_JOB_STATE_PROCESSING, now, now.Add(m.noisy(j, -1, j.Setup))
	m.Job, m.Loaded, m.changed = j, nil, true
	if m.keep(); m.lacking != nil {
		m.memory, *j = before, loaded
		j.MayStart = false
	}
}

// step finishes the set-up or a unit of work.
func (m *machine) step(at time.Time) {
	j := m.Job
	if j.Done == j.Units {
		m.end(at, tandemv1.JobState_JOB_STATE_COMPLETED) // it has waited to be ready
		return
	}
	from := j.made()
	j.Done++
	j.Next = at.Add(m.unit(j))
	made := j.made()
	j.Spoiled = min(j.Spoiled+m.spoils(from, made), made)
	switch {
	case j.Done == j.Units && !j.Ready.After(at):
		m.end(at, tandemv1.JobState_JOB_STATE_COMPLETED)
	case j.Stop:
		m.end(at, tandemv1.JobState_JOB_STATE_CANCELED)
	case j.Done == j.Units:
		j.Next = j.Ready
	}
	if m.Job == j {
		m.readMarks(at)
	}
	for _, f := range m.due(from, made) {
		m.strike(f, at)
	}
}

// made is how many pieces are made, spoiled ones too.
func (j *job) made() int32 { return int32(int64(j.Pieces) * int64(max(j.Done, 0)) / int64(j.Units)) }

// unit is how long the unit after those done takes.
func (m *machine) unit(j *job) time.Duration {
	if j.Done >= j.Units {
		return 0
	}
	share := func(n int) time.Duration {
		return j.Work/time.Duration(j.Units)*time.Duration(n) + j.Work%time.Duration(j.Units)*time.Duration(n)/time.Duration(j.Units)
	}
	return m.noisy(j, j.Done, share(j.Done+1)-share(j.Done))
}

// noisy varies a duration by chance that depends on nothing but the seed, the run and which of its parts it is.
func (m *machine) noisy(j *job, part int, d time.Duration) time.Duration {
	if m.noise == 0 {
		return d
	}
	h := fnv.New64a()
	fmt.Fprintf(h, "%s/%d", j.Run, part)
	random := rand.New(rand.NewPCG(m.seed, h.Sum64()))
	return time.Duration(float64(d) * (1 + m.noise*(2*random.Float64()-1)))
}

// end ends the run under way and clears the machine.
func (m *machine) end(at time.Time, state tandemv1.JobState) {
	j := m.Job
	j.State, j.End, j.Next, j.Left = state, at, time.Time{}, 0
	m.Job, m.changed = nil, true
	if m.cleanup > 0 {
		m.CleanEnd = at.Add(m.cleanup)
	}
	if !j.Forgotten {
		m.finished(*j)
	}
}

func (m *machine) finished(j job) {
	m.Ended = append(m.Ended, j)
	m.Ended = m.Ended[max(len(m.Ended)-mostEnded, 0):]
}

// due returns the faults that happen once the run under way has made more than from and at most last pieces.
func (m *machine) due(from, last int32) []Fault {
	var out []Fault
	for _, f := range slices.Concat(m.faults, m.Injected) {
		if f.Run == m.Begun && f.Piece > from && f.Piece <= last {
			out = append(out, f)
		}
	}
	return out
}

// spoils counts the pieces after from, up to last, that are spoiled.
func (m *machine) spoils(from, last int32) int32 {
	var n int64
	for _, f := range slices.Concat(m.faults, m.Injected) {
		if f.Trouble == Spoil && f.Run == m.Begun {
			end := int64(f.Piece) - 1 + int64(max(f.Pieces, 1))
			n += max(min(int64(last), end)-max(int64(from), int64(f.Piece)-1), 0)
		}
	}
	return int32(min(n, int64(last-from)))
}

// strike lets a fault happen.
func (m *machine) strike(f Fault, at time.Time) {
	m.changed = true
	switch f.Trouble {
	case Stop:
		m.stand("media-jam-error", f, at)
	case MediaEmpty:
		m.stand(rollOut, f, at)
	case MediaAbort:
		if m.Job != nil {
			m.Job.Why = rollOut
			m.end(at, tandemv1.JobState_JOB_STATE_ABORTED)
		}
		m.stand(rollOut, f, at)
	case Offline:
		m.AwayEnd = later(m.AwayEnd, at.Add(f.For))
	case Flood:
		if f.For == 0 {
			f.For = defaultFor
		}
		m.FloodEnd = later(m.FloodEnd, at.Add(f.For))
	case Reboot:
		m.memory = memory{Begun: m.Begun, Rebooted: true, Injected: m.Injected}
	case Spoil, WrongPanel, Turned, Mirrored:
	}
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// stand makes the machine stand still until a person helps. What is loaded needs a new start after that.
func (m *machine) stand(reason string, f Fault, at time.Time) {
	if m.Trouble == "" && m.Job != nil {
		m.Job.Left = m.Job.Next.Sub(at)
	}
	m.Trouble, m.HelpTime = reason, time.Time{}
	if f.For == 0 {
		f.For = m.helpAfter
	}
	if f.For > 0 {
		m.HelpTime = at.Add(f.For)
	}
	if m.Loaded != nil {
		m.Loaded.MayStart = false
	}
}

// help clears the trouble: a person stands at the machine, and the run under way goes on.
func (m *machine) help(at time.Time) {
	if m.Trouble == "" {
		return
	}
	m.Trouble, m.HelpTime, m.changed = "", time.Time{}, true
	if m.Job != nil {
		m.Job.Next, m.Job.Left = at.Add(m.Job.Left), 0
	}
}
