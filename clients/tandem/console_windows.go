package main

import (
	"os"

	"golang.org/x/sys/windows"
)

// obeysSequences asks the console to obey escape sequences and reports whether it will. Consoles that cannot are treated
// as if they were no terminal: no colour, no redrawing.
func obeysSequences(f *os.File) bool {
	var mode uint32
	handle := windows.Handle(f.Fd())
	if windows.GetConsoleMode(handle, &mode) != nil {
		return false
	}
	return windows.SetConsoleMode(handle, mode|windows.ENABLE_VIRTUAL_TERMINAL_PROCESSING) == nil
}
