package plain

import (
	"os"
	"syscall"
)

// onNoDisk reports whether a file lies on a file system of the kernel's own, as
// /proc and /sys are: such have no blocks at all, used or free.
func onNoDisk(f *os.File) bool {
	raw, err := f.SyscallConn()
	if err != nil {
		return false
	}
	var at syscall.Statfs_t
	told := false
	err = raw.Control(func(fd uintptr) { told = syscall.Fstatfs(int(fd), &at) == nil })
	return err == nil && told && at.Blocks == 0
}
