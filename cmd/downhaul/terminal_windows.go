package main

import (
	"os"

	"golang.org/x/sys/windows"
)

// drawsOver has a console take the sequences that move the cursor, and reports whether
// it does: an older one prints them as text otherwise.
func drawsOver(f *os.File) bool {
	var mode uint32
	h := windows.Handle(f.Fd())
	return windows.GetConsoleMode(h, &mode) == nil && windows.SetConsoleMode(h, mode|windows.ENABLE_VIRTUAL_TERMINAL_PROCESSING) == nil
}
