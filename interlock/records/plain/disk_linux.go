package plain

import (
	"os"
	"path/filepath"
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

// LastPut reports whether nothing came into a folder or went since a file was moved to its
// place there, by the times that the kernel alone sets; false is not known.
func LastPut(folder, name string) bool {
	var dir, file syscall.Stat_t
	if syscall.Stat(folder, &dir) != nil || syscall.Lstat(filepath.Join(folder, name), &file) != nil {
		return false
	}
	since := syscall.TimespecToNsec(dir.Ctim) - syscall.TimespecToNsec(file.Ctim)
	return max(since, -since) < 5_000_000 // both move in steps of the kernel's tick
}
