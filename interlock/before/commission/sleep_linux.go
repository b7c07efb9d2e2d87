package commission

import (
	"time"

	"golang.org/x/sys/unix"
)

// Sleep waits on the thread itself: the runtime's own timers may round a short
// wait up to a millisecond.
func Sleep(d time.Duration) {
	if d <= 0 {
		return
	}
	left := unix.NsecToTimespec(int64(d))
	for unix.Nanosleep(&left, &left) == unix.EINTR {
	}
}
