package learn

import (
	"maps"
	"slices"
)

// Clone returns a model that has learned the same and goes its own way from here on.
func (m *Model) Clone() *Model {
	m.settle()
	out := &Model{assume: m.assume, turn: m.turn, keys: make(map[Key]*record, len(m.keys)), t: m.t, kin: kin{
		devices: maps.Clone(m.kin.devices), operations: maps.Clone(m.kin.operations), pairs: maps.Clone(m.kin.pairs),
	}}
	for k, r := range m.keys {
		n := *r
		n.ring, n.summary.kept = slices.Clone(r.ring), slices.Clone(r.summary.kept)
		out.keys[k] = &n
	}
	return out
}
