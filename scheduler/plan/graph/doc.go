// Package graph searches for schedules on the disjunctive graph: operations are nodes, precedence and the orders on machines are
// arcs, and the length of the longest path is the makespan (Roy & Sussmann 1964; flexible machines: Mastrolilli & Gambardella
// 2000).
//
// Only what lies on a longest path can shorten it, so a move takes one such operation to another place, on its machine or on
// another one. A tabu search makes such moves; a small pool of good schedules gives it places to begin between two of them.
//
// It takes jobs that are graphs, lags, release times, changeovers and machines that are busy at first; what it cannot treat
// exactly, it refuses: see [Fits]. What it never does: look at a clock, start a goroutine, know an instance, or give back
// anything worse than what it was given. The same problem, warm start, seed and budget of evaluations give the same schedule.
package graph
