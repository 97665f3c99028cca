//go:build race

package simulate

// raced says that the race detector is on: everything takes some ten times as long, so less is played.
const raced = true
