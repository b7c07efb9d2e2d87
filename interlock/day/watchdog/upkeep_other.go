//go:build !linux

package watchdog

import (
	"errors"
	"time"
)

// ErrNoWatchdog means that a path is no kernel watchdog.
var ErrNoWatchdog = errors.New("is no watchdog of the kernel's; its timeout cannot be set")

var errLinux = errors.New("only Linux has it")

// Manager is nil: there is none on this system.
func Manager() (Sender, time.Duration, error) { return nil, 0, nil }

// OpenDevice fails: there is no such device on this system.
func OpenDevice(string, time.Duration) (Device, time.Duration, error) { return nil, 0, errLinux }

// RealTime fails on this system.
func RealTime() error { return errLinux }

// LockMemory fails on this system.
func LockMemory() error { return errLinux }

// Hurry does nothing on this system.
func Hurry() (rest func()) { return func() {} }

// Priority is empty: there is no journal on this system.
func Priority(int) string { return "" }
