//go:build !linux

package plain

import (
	"os"
	"time"
)

func onNoDisk(*os.File) bool { return false }

// SyncData syncs all.
func SyncData(f *os.File) error { return f.Sync() }

// Stamp cannot be known here.
func Stamp(string) string { return "" }

var started = time.Now()

// Uptime is time since this program started.
func Uptime() time.Duration { return time.Since(started) }

// Clock returns how far this computer's clock can be trusted: that is not asked here.
func Clock() (says string, set bool) { return "not asked whether it is synchronised", true }
