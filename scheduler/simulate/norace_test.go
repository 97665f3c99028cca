//go:build !race

package simulate

// raced says that the race detector is on.
const raced = false
