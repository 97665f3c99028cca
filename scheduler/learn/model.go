package learn

import (
	"maps"
	"slices"
	"time"
)

const (
	ringSize = 128  // ratios held for a key
	mostKeys = 4096 // keys held; the one not seen for longest makes room
)

// Model is what has been learned so far. Its zero value is not ready: use New or Restore.
type Model struct {
	assume func(operation string) Prior
	turn   uint64 // observations so far
	keys   map[Key]*record
	stale  []*record // whose summary and sums are behind their ring
	kin    kin
	t      tTable
}

// record is what is held of one key, and what was worked out from it.
type record struct {
	key           Key
	ring          []int32 // millionths; once full, next is the oldest
	next          int
	counts        Counts
	turn          uint64 // of the last observation
	lastPredicted time.Duration
	lastActual    time.Duration

	stale   bool
	gone    bool
	summary summary
	told    sums // what the relatives have been told
}

// Counts are kept for a key since it was first seen or last reset.
type Counts struct {
	Learned uint64 // runs that entered, also those that have left the ring since
	Partial uint64 // runs that did too little to learn from
	Clamped uint64 // runs brought within a tenth and ten times the prediction
}

// New returns a model that has seen nothing. Assume says what to expect of an operation before the first run; nil: Assumed.
func New(assume func(operation string) Prior) *Model {
	if assume == nil {
		assume = Assumed
	}
	bounded := func(operation string) Prior { return assume(operation).bounded() }
	return &Model{assume: bounded, keys: map[Key]*record{}, kin: newKin()}
}

// Observe takes in a finished run. An error is an *Error; the model is then as before.
func (m *Model) Observe(k Key, o Observation) error {
	if err := k.check(); err != nil {
		return err
	}
	if err := o.check(); err != nil {
		return err
	}
	r := m.keys[k]
	if r == nil {
		m.makeRoom()
		r = &record{key: k}
		m.keys[k] = r
	}
	m.turn++
	r.turn = m.turn
	if o.Done < leastDone {
		r.counts.Partial++
		return nil
	}
	ratio, clamped := o.ratio()
	if clamped {
		r.counts.Clamped++
	}
	r.counts.Learned++
	r.lastPredicted, r.lastActual = o.Predicted, o.Actual-o.Stopped
	r.push(ratio)
	m.touch(r)
	return nil
}

// Reset forgets the keys that match, an empty field matching everything, and returns how many they were: after a service,
// or after the device's figures in the floor file have changed.
func (m *Model) Reset(match Key) int {
	same := func(want, is string) bool { return want == "" || want == is }
	n := 0
	for k, r := range m.keys {
		if same(match.Device, k.Device) && same(match.Operation, k.Operation) && same(match.Mode, k.Mode) {
			m.drop(r)
			n++
		}
	}
	return n
}

// makeRoom drops the key that has not been seen for longest if there are too many. Turns are unique, so the order in
// which the map is read does not matter.
func (m *Model) makeRoom() {
	if len(m.keys) < mostKeys {
		return
	}
	var oldest *record
	for _, r := range m.keys {
		if oldest == nil || r.turn < oldest.turn {
			oldest = r
		}
	}
	m.drop(oldest)
}

func (m *Model) drop(r *record) {
	m.kin.replace(r.key, r.told, sums{})
	r.gone = true
	delete(m.keys, r.key)
}

func (m *Model) touch(r *record) {
	if r.stale {
		return
	}
	if len(m.stale) >= mostKeys { // some have gone: let go of them
		m.settle()
	}
	r.stale = true
	m.stale = append(m.stale, r)
}

// settle brings summaries and sums up to their rings. It is put off until somebody asks, so that a replay of many
// observations costs no more than writing them down.
func (m *Model) settle() {
	for _, r := range m.stale {
		r.stale = false
		if r.gone {
			continue
		}
		r.summary = summarize(r.summary.kept, r.oldestFirst(), m.assume(r.key.Operation))
		now := r.summary.sums()
		m.kin.replace(r.key, r.told, now)
		r.told = now
	}
	clear(m.stale)
	m.stale = m.stale[:0]
}

func (m *Model) sorted() []*record {
	return slices.SortedFunc(maps.Values(m.keys), func(a, b *record) int { return a.key.Compare(b.key) })
}

func (r *record) push(ratio int32) {
	if len(r.ring) < ringSize {
		r.ring = append(r.ring, ratio)
		return
	}
	r.ring[r.next] = ratio
	r.next = (r.next + 1) % ringSize
}

func (r *record) oldestFirst() []int32 {
	return append(append(make([]int32, 0, ringSize), r.ring[r.next:]...), r.ring[:r.next]...)
}
