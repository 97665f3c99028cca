package main

import "slices"

// mutant is one bug.
type mutant struct {
	name   string
	breaks string // the promise, in one line
	file   string // below the module's root
	old    string // is in the file exactly once
	new    string // in its place; MUTANT is true if the mutant is in force
}

// mutants are all there are.
var mutants = slices.Concat(ofDrivers, ofFloor, ofGangs, ofPeople, ofRestored, ofDaemon)
