// Package problem states a scheduling problem as numbers: operations with precedence, lags and release times, each on one of
// several machines, with changeovers, calendars, operators and due times. It has what every search needs to agree about: the
// problem, a schedule, its cost, and a checker that trusts nobody.
//
// In the usual notation: FJ | prec (DAG), r_j, M_j, s_ijk, l_min/l_max, calendars | sum w_j T_j, then C_max.
//
// The package is pure and knows no floor, no devices and no instances.
package problem

// Time is a point in time or a length of time, in ticks of the caller's choice (benchmarks: the instance's unit; a floor: a
// second).
type Time = int64

// Never stands for a limit that is not there: no due time, no maximum lag.
const Never Time = 1 << 60

// Problem is what is to be scheduled. Indices are places in its slices.
type Problem struct {
	Machines []Machine
	Jobs     []Job
	Ops      []Op
	// Attendance is when how many operators are there, in order of time, without gaps; after the last window it goes on as the
	// last one says. Empty: as many as anybody needs, always.
	Attendance []Window
	// SetupPrice is what one tick of changeover costs, in the unit of weighted tardiness: a changeover takes capacity from
	// jobs that have not arrived yet. 0 for a closed problem.
	SetupPrice float64
	// Objective is what is to be made small.
	Objective Objective
}

// Objective is what is to be made small.
type Objective int

// The objectives.
const (
	Makespan          Objective = iota // the last end of an operation
	WeightedTardiness                  // sum of weight times lateness (never below 0), then the makespan
)

// Machine is one device. What runs on it now is frozen: it is not an operation but keeps places.
type Machine struct {
	// Places is when each of its places is free: one for a machine, more for a rack, whose operations change nothing over.
	Places []Time
	// Setup is the time between operations of two families, Setup[from][to]; nil: none. A machine that has done nothing yet
	// begins in family Initial; -1: in none, the first operation needs no changeover.
	Setup   [][]Time
	Initial int
}

// Job is what is due together.
type Job struct {
	Due    Time    // Never: no promise
	Weight float64 // of each tick of lateness
}

// Op is one operation. It is not interrupted.
type Op struct {
	Job     int
	Release Time // no earlier start
	Before  []Arc
	Modes   []Mode // at least one
	Family  int    // for changeovers
}

// Arc says that an operation waits for another one: Lag after its end at the earliest, MaxLag after it at the latest.
type Arc struct {
	Op     int
	Lag    Time
	MaxLag Time // Never: no limit. It is a wish with a price, not a wall: see Cost.
}

// Mode is an operation on one machine.
type Mode struct {
	Machine  int
	Duration Time // changeover not included
	// Attended is how long from the start of the work an operator stays; Whole: to the end; None: nobody is needed. A changeover
	// needs an operator in any case, from its beginning until the work starts.
	Attended Time
}

// Attendance of a mode.
const (
	None  Time = -1
	Whole Time = Never
)

// Window is how many operators are there from a time on.
type Window struct {
	From      Time
	Operators int
}

// Schedule says where and when each operation runs. Start is the start of the work: the changeover lies before it.
type Schedule struct {
	Mode  []int // index in Op.Modes
	Start []Time
}

// Budget bounds a search. Searches have no clock: whoever wants seconds counts them in Stop.
type Budget struct {
	Evaluations int64       // schedules to look at; 0: no limit
	Stop        func() bool // asked every few hundred evaluations; nil: never
	// Better is told of each strict improvement, with a schedule that is the callee's to keep; nil: nobody asks.
	Better func(Schedule, Cost)
}

// Cost is what a schedule costs.
type Cost struct {
	Tardiness float64 // sum of weight times lateness
	Makespan  Time
	Setup     Time    // sum of changeovers
	Overrun   float64 // sum over arcs of the ticks beyond their maximum lag
}

// Stats is what a search did.
type Stats struct {
	Evaluations int64
	Proved      bool // the schedule meets a lower bound: nothing is better
}
