//go:build !windows

package main

import "os"

// drawsOver reports whether a terminal takes the sequences that move the cursor.
func drawsOver(*os.File) bool { return true }
