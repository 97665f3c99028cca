// Package physics says how long printing and drying take, and what a change of media, film, mode or blade costs, from what
// the machine and the work are: speeds, widths, passes, coverage. Every answer is a pure function of plain structs. It never
// reads a clock or the state of the floor, never rounds a least time down, and never answers a bad input with a number: it
// returns an *Error that names the field and the remedy.
//
// Times are time.Duration, lengths int64 micrometres (Um). Figures that people know as rates (m2/h, m/min, percent) are
// float64 and must be finite.
//
// A figure marked "common practice, no source" is a starting value: a shop replaces it with what its own machines do.
package physics
