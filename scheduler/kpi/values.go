package kpi

import "time"

// Value is one indicator.
type Value struct {
	ID      string  // such as utilization-efficiency
	Formula string  // as ISO 22400-2 has it, by its abbreviations
	Value   float64 // if Known
	Known   bool
	Lacks   string // what is missing for it, if not Known
}

// Quantities are what was made, in pieces, and what it should have taken.
type Quantities struct {
	Produced  int64 // PQ
	Good      int64 // GQ
	Scrap     int64 // SQ
	Inspected int64 // IP: what was made the first time, not again in place of spoiled pieces
	FirstPass int64 // GP: of these, what was good at once

	// PlannedRun is what the model of the device gives for what it made in its production time: PRU * PQ.
	PlannedRun time.Duration
	// Uncounted is production time whose pieces are not known, of runs that are under way: it belongs to no PlannedRun.
	Uncounted time.Duration
	// Parallel says that the device holds several runs at once, so that their planned times add up to more than its time.
	Parallel bool
}

// Lacks of several indicators.
const (
	noPlanned  = "no planned busy time in the period"
	noMade     = "no pieces counted in the period"
	noOrder    = "it is told of orders, not of devices: see the report of jobs"
	noCapacity = "the ledger has no greatest capacity of a device"
)

func ratio(id, formula string, above, below float64, lacks string) Value {
	if below <= 0 {
		return Value{ID: id, Formula: formula, Lacks: lacks}
	}
	return Value{ID: id, Formula: formula, Value: above / below, Known: true}
}

func missing(id, formula, lacks string) Value { return Value{ID: id, Formula: formula, Lacks: lacks} }

// product multiplies; it lacks what the first unknown factor lacks.
func product(id, formula string, factors ...Value) Value {
	out := Value{ID: id, Formula: formula, Value: 1, Known: true}
	for _, f := range factors {
		if !f.Known {
			return missing(id, formula, f.Lacks)
		}
		out.Value *= f.Value
	}
	return out
}

// DeviceValues returns the indicators of a device. Formulas and names are those of ISO 22400-2:2014.
func DeviceValues(t Times, q Quantities) []Value {
	s := time.Duration.Seconds
	n := func(v int64) float64 { return float64(v) }
	availability := ratio("availability", "APT / PBT", s(t.APT), s(t.PBT), noPlanned)
	quality := ratio("quality-ratio", "GQ / PQ", n(q.Good), n(q.Produced), noMade)
	effectiveness := ratio("effectiveness", "PRU * PQ / APT", s(q.PlannedRun), s(t.APT-q.Uncounted), "no production time with counted pieces in the period")
	switch {
	case q.Parallel:
		effectiveness = missing(effectiveness.ID, effectiveness.Formula, "the device holds several runs at once: their planned times are no share of its time")
	case effectiveness.Known && q.PlannedRun == 0:
		effectiveness = missing(effectiveness.ID, effectiveness.Formula, "no planned run time for what was made")
	}
	return []Value{
		availability,
		effectiveness,
		quality,
		product("oee-index", "availability * effectiveness * quality ratio", availability, effectiveness, quality),
		product("nee-index", "AUPT / PBT * effectiveness * quality ratio", ratio("", "", s(t.AUPT), s(t.PBT), noPlanned), effectiveness, quality),
		ratio("allocation-efficiency", "AUBT / PBT", s(t.AUBT), s(t.PBT), noPlanned),
		ratio("utilization-efficiency", "APT / AUBT", s(t.APT), s(t.AUBT), "not busy in the period"),
		ratio("technical-efficiency", "APT / (APT + ADET)", s(t.APT), s(t.APT+t.ADET), "no production in the period"),
		ratio("setup-rate", "ASUT / AUPT", s(t.ASUT), s(t.AUPT), "nothing processed in the period"),
		ratio("scrap-ratio", "SQ / PQ", n(q.Scrap), n(q.Produced), noMade),
		ratio("first-pass-yield", "GP / IP", n(q.FirstPass), n(q.Inspected), noMade),
		missing("rework-ratio", "RQ / PQ", "spoiled pieces are made again, never reworked: the remakes are in the report of waste"),
		missing("throughput-rate", "PQ / AOET", noOrder),
		missing("allocation-ratio", "AUBT / AOET", noOrder),
		missing("production-process-ratio", "APT / AOET", noOrder),
		missing("actual-to-planned-scrap-ratio", "SQ / PSQ", noOrder),
		missing("worker-efficiency", "APWT / APAT", "the ledger keeps no working times of people"),
		missing("equipment-load-ratio", "PQ / EPC", noCapacity),
	}
}

// Orders are the sums over finished orders.
type Orders struct {
	Produced, Scrap int64
	PlannedScrap    int64         // PSQ: the overs of orders, made so that a few may be spoiled; 0: none planned
	Execution       time.Duration // AOET: from the first start to the end
	Busy            time.Duration // AUBT: of the devices, for these orders
}

// OrderValues returns the indicators that ISO 22400-2:2014 tells of orders. Throughput is in pieces an hour.
func OrderValues(o Orders) []Value {
	const none = "no order with a known beginning was finished in the period"
	return []Value{
		ratio("throughput-rate", "PQ / AOET", float64(o.Produced), o.Execution.Hours(), none),
		ratio("allocation-ratio", "AUBT / AOET", o.Busy.Seconds(), o.Execution.Seconds(), none),
		missing("production-process-ratio", "APT / AOET", "set-up and production are told apart by device, not by order"),
		ratio("actual-to-planned-scrap-ratio", "SQ / PSQ", float64(o.Scrap), float64(o.PlannedScrap), "no overs in the orders of the period"),
	}
}

// Find returns the value with that id; the zero Value if there is none.
func Find(values []Value, id string) Value {
	for _, v := range values {
		if v.ID == id {
			return v
		}
	}
	return Value{}
}
