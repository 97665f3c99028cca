//go:build !race

package compare

// raced says that the race detector is on.
const raced = false
