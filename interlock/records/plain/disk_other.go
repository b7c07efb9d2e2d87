//go:build !linux

package plain

import "os"

func onNoDisk(*os.File) bool { return false }

// LastPut cannot be known here.
func LastPut(string, string) bool { return false }
