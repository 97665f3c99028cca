//go:build !race

package line

// raced says that the race detector is on.
const raced = false
