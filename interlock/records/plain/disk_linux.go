package plain

import (
	"fmt"
	"os"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
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

// SyncData returns when a file's data, and what is needed to read them back, are on the
// disk; its times need not be.
func SyncData(f *os.File) error {
	for {
		if err := unix.Fdatasync(int(f.Fd())); err != unix.EINTR {
			return err
		}
	}
}

// Stamp returns a folder as it is: which, and since when nothing came into it or went, by the
// kernel's own time. A copy has another, whatever its times were set to. Empty is not
// known: the kernel's time moves in steps, so right after a change another would not show.
func Stamp(folder string) string {
	var at syscall.Stat_t
	if syscall.Stat(folder, &at) != nil {
		return ""
	}
	changed := syscall.TimespecToNsec(at.Ctim)
	if since := time.Now().UnixNano() - changed; max(since, -since) < int64(time.Second) {
		return ""
	}
	return fmt.Sprint(at.Dev, at.Ino, changed)
}

// Uptime is time since this computer started, sleep included, which its monotonic clock leaves out.
func Uptime() time.Duration {
	var t unix.Timespec
	_ = unix.ClockGettime(unix.CLOCK_BOOTTIME, &t) // every kernel since 2.6.39 has it
	return time.Duration(t.Nano())
}

// Clock returns how far this computer's clock can be trusted, and whether it is kept set (adjtimex(2)).
func Clock() (says string, set bool) {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	return clockSays(state, &t, err)
}

func clockSays(state int, t *unix.Timex, err error) (says string, set bool) {
	if err == nil && state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0 {
		return fmt.Sprintf("synchronised, to %v at worst", time.Duration(t.Maxerror)*time.Microsecond), true
	} else if err != nil {
		return fmt.Sprintf("not known to be set (adjtimex: %v)", err), false
	}
	return "not synchronised: without a battery of its own it stood still while the power was off", false
}
