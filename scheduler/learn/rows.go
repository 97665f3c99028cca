package learn

import "time"

// Row is what is known of one key, for people to read.
type Row struct {
	Key           Key
	Basis         Basis
	Counts        Counts
	Factor        float64 // median ratio expected of the next run
	P10, P90      float64 // ratios
	Low, High     float64 // ratios at 5 % and 95 %
	LastPredicted time.Duration
	LastActual    time.Duration // without the time it stood still
}

// Rows returns what is known of all keys, by device, operation and mode.
func (m *Model) Rows() []Row {
	rows := make([]Row, 0, len(m.keys))
	for _, r := range m.sorted() {
		d := m.distribution(r.key)
		rows = append(rows, Row{
			Key: r.key, Basis: d.basis, Counts: r.counts,
			Factor: d.factor(0.5), P10: d.factor(0.1), P90: d.factor(0.9), Low: d.factor(0.05), High: d.factor(0.95),
			LastPredicted: r.lastPredicted, LastActual: r.lastActual,
		})
	}
	return rows
}
