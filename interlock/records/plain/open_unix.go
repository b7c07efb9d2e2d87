//go:build unix

package plain

import "syscall"

const (
	nonblock   = syscall.O_NONBLOCK
	onlyFolder = syscall.O_DIRECTORY
)
