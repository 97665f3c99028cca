//go:build !windows

package main

import "os"

// obeysSequences reports whether a terminal obeys escape sequences: outside Windows all do, except one that calls
// itself dumb, which the settings take care of.
func obeysSequences(*os.File) bool { return true }
