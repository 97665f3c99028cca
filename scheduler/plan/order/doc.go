// Package order searches for schedules by changing orders of operations and building a schedule from each order.
//
// It takes every feature of a [problem.Problem]: precedence with lags, release times, several machines for an operation, racks,
// changeovers and their price, operators, due times. What it never does: look at a clock, start a goroutine, know an instance,
// or give back anything worse than what it was given. The same problem, warm start, seed and budget of evaluations give the
// same schedule.
//
// Two builders turn an order into a schedule. The list builder appends the operations one after another to their machines; it
// can be resumed at any place in the order. The pull builder goes along in time and lets the machines that are free take the
// most urgent waiting operation; it leaves no machine idle for nothing.
package order
