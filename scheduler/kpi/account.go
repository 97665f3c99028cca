package kpi

import "time"

// Account is how long a device did what in a period, in the time that the shop had planned to work and outside of it. All of it
// together is the period, to the nanosecond.
type Account struct{ Planned, Outside [Classes]time.Duration }

// NewAccount adds up the spans of a device in a period; planned are the shop's hours. Both are in order and without overlaps.
func NewAccount(in Interval, spans []Span, planned []Interval) Account {
	var a Account
	for _, s := range spansIn(in, spans) {
		i := Interval{later(s.From, in.From), earlier(s.To, in.To)}
		if !i.From.Before(i.To) {
			continue
		}
		inside := within(i, planned)
		a.Planned[s.Class] += inside
		a.Outside[s.Class] += i.Length() - inside
	}
	return a
}

// Of returns how long the device did that, planned or not.
func (a Account) Of(c Class) time.Duration { return a.Planned[c] + a.Outside[c] }

// Total returns the sum.
func (a Account) Total() time.Duration {
	var sum time.Duration
	for c := range Classes {
		sum += a.Of(c)
	}
	return sum
}

// Times are the times of ISO 22400-2, by its abbreviations.
//
//	POT  planned operation: the shop's hours, and work outside of them
//	PBT  planned busy: POT less planned downtime, that is maintenance
//	AUBT unit busy: AUPT + ADET
//	AUPT unit processing: APT + ASUT
//	APT  production
//	ASUT setup, clearing up included
//	ADET unit delay: it stands still in a run
//	ADOT unit down: it stands still without one, or a person keeps it from work
type Times struct{ POT, PBT, AUBT, AUPT, APT, ASUT, ADET, ADOT time.Duration }

// Times returns the standard's times.
//
// Work outside the shop's hours, at night or on a Sunday, widens the planned time by as long as it lasts: it was planned by whoever
// let it begin. What else happens outside of them counts neither for nor against a device. Silence in the shop's hours is part of the
// planned time and of no other: see [Account.Silence].
func (a Account) Times() Times {
	t := Times{
		APT:  a.Of(Production),
		ASUT: a.Of(Setup) + a.Of(Cleanup),
		ADET: a.Planned[Delay],
		ADOT: a.Planned[Down] + a.Planned[Paused],
	}
	for c := range Classes {
		if c != Absent {
			t.POT += a.Planned[c]
		}
		if c.Work() {
			t.POT += a.Outside[c]
		}
	}
	t.PBT = t.POT - a.Planned[Maintenance]
	t.AUPT = t.APT + t.ASUT
	t.AUBT = t.AUPT + t.ADET
	return t
}

// Silence returns how much of the planned time nobody knows anything of.
func (a Account) Silence() time.Duration { return a.Planned[Offline] + a.Planned[NotReported] }
