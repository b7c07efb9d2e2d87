package watchdog

import (
	"errors"
	"fmt"
	"strconv"

	"downhaul/interlock/records/plain"

	"golang.org/x/sys/unix"
)

// priority is the loop's among real-time threads; ours: above ordinary work
// and below the kernel's own interrupt threads, which stand at 50.
const priority = 10

// RealTime lets no ordinary work hold up the thread that calls it. Threads that
// come from it are ordinary again.
func RealTime() error {
	err := unix.SchedSetAttr(0, &unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: unix.SCHED_FIFO,
		Flags: unix.SCHED_FLAG_RESET_ON_FORK, Priority: priority}, 0)
	if err != nil {
		return fmt.Errorf("the loop runs without real-time priority (%w); allow it with LimitRTPRIO=%d in the unit", err, priority)
	}
	return nil
}

// Hurry lets no ordinary work hold up any thread of this process, nor those that come
// from them, until rest is called: one that waits for another, for memory or within the
// runtime, is no faster than that one. Where it is not permitted all stays as it is.
func Hurry() (rest func()) {
	_ = everyThread(unix.SCHED_FIFO, priority)
	return func() { _ = everyThread(unix.SCHED_NORMAL, 0) } // anybody may
}

// everyThread gives each thread a policy, and looks again for what came meanwhile.
func everyThread(policy, priority uint32) error {
	var failed error
	for again := true; again && failed == nil; {
		again = false
		err := plain.Names("/proc/self/task", func(name string) {
			id, _ := strconv.Atoi(name)
			now, err := unix.SchedGetAttr(id, 0)
			if err == nil && now.Policy != policy {
				again = true
				err = unix.SchedSetAttr(id, &unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: policy, Priority: priority}, 0)
			}
			if !errors.Is(err, unix.ESRCH) { // it has ended
				failed = errors.Join(failed, err)
			}
		})
		failed = errors.Join(failed, err)
	}
	return failed
}

// LockMemory keeps the process in memory, page by page as it is used. A lock
// that is bounded would fail the process later, in the middle of its work, and
// is not taken.
func LockMemory() error {
	const mend = "allow it with LimitMEMLOCK=infinity in the unit"
	var l unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_MEMLOCK, &l); err != nil {
		return fmt.Errorf("memory is not locked (%w); %s", err, mend)
	}
	if l.Cur != unix.RLIM_INFINITY && !mayLock() {
		return fmt.Errorf("memory is not locked (only %d kB may be); %s", l.Cur>>10, mend)
	}
	if err := unix.Mlockall(unix.MCL_CURRENT | unix.MCL_FUTURE | unix.MCL_ONFAULT); err != nil {
		return fmt.Errorf("memory is not locked (%w); %s", err, mend)
	}
	return nil
}

// mayLock reports whether the process may lock memory without bound.
func mayLock() bool {
	header := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
	var data [2]unix.CapUserData
	if err := unix.Capget(&header, &data[0]); err != nil {
		return false
	}
	return data[0].Effective&(1<<unix.CAP_IPC_LOCK) != 0
}
