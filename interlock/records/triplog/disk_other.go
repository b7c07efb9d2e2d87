//go:build !linux

package triplog

import "os"

// newFile is the plain file: reserving room and data-only syncs are not to be
// had here.
func newFile(f *os.File) File { return f }
