// Package faultsim plays days of a shop on which everything goes wrong that may: the engine, the floor, the dispatcher, the
// ledger's codec, the bus's ear, the driver host and the simulated machines run as they are, under one virtual clock and one
// seed, in one goroutine. Around them messages are lost, doubled, late and out of order, the daemon dies at named points, the
// disk is slow, full or silent, clocks are set, the computer sleeps, another daemon takes over, machines are switched off and taken
// out of the floor file, people scan what they should not, or are fewer than planned. Jobs go alone or share panels. A disk is lost, and a
// backup takes its place that is older than what has been done.
//
// What must hold is checked by books that are kept from the ledger's records alone, by what the machines have physically
// done, and by what clients have been told: at every event for safety, and for progress once the faults have stopped. The same
// seed gives the same day, on every machine. Nothing here reads a clock, a disk or a network.
package faultsim
