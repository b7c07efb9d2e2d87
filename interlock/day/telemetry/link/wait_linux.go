package link

import (
	"fmt"
	"runtime"
	"sync/atomic"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Waiter is the one call in which a reader of links waits: for its descriptors, for a
// Wake, or for a time. It waits in the kernel itself: what the runtime's poller and a
// goroutine of its own would cost, a datagram need not wait for.
type Waiter struct {
	bell int // an eventfd
	rung atomic.Bool
	fds  []unix.PollFd
}

// NewWaiter makes a Waiter, whose eventfd goes when nobody has it any more: a late Wake
// writes to nobody else's file.
func NewWaiter() (*Waiter, error) {
	bell, err := unix.Eventfd(0, unix.EFD_CLOEXEC|unix.EFD_NONBLOCK)
	if err != nil {
		return nil, fmt.Errorf("make an eventfd to be woken by: %w", err)
	}
	w := &Waiter{bell: bell}
	runtime.AddCleanup(w, func(fd int) { _ = unix.Close(fd) }, bell)
	return w, nil
}

// shortWait bounds the waits that keep their place among the threads that may run: to give
// it up costs a fifth of the guard's processor time, to keep it holds up a collection.
const shortWait = 6 * time.Millisecond

const hung = unix.POLLERR | unix.POLLHUP | unix.POLLNVAL

var one = [8]byte{0: 1, 7: 1} // not 0 in either byte order

// Wake ends the present wait, or the next. Any goroutine.
func (w *Waiter) Wake() {
	if !w.rung.Swap(true) {
		_, _ = unix.Write(w.bell, one[:]) // what is rung already stays rung
	}
	runtime.KeepAlive(w)
}

// Wait waits until one of the links, or of the descriptors others, has something to read,
// for a Wake, and for d at most. It may end early. One of others that reports an error,
// as of a chip that is gone, becomes -1, or nobody would wait any more.
func (w *Waiter) Wait(d time.Duration, links []*Link, others []int) {
	w.fds = append(w.fds[:0], unix.PollFd{Fd: int32(w.bell), Events: unix.POLLIN})
	for _, fd := range others { // the kernel passes over a negative one
		w.fds = append(w.fds, unix.PollFd{Fd: int32(fd), Events: unix.POLLIN})
	}
	for _, l := range links {
		w.fds = append(w.fds, unix.PollFd{Fd: int32(l.now.fd), Events: unix.POLLIN})
	}
	t := unix.NsecToTimespec(int64(max(d, 0)))
	if d <= shortWait {
		_, _, _ = unix.RawSyscall6(unix.SYS_PPOLL, uintptr(unsafe.Pointer(&w.fds[0])), uintptr(len(w.fds)), uintptr(unsafe.Pointer(&t)), 0, 0, 0)
	} else {
		_, _ = unix.Ppoll(w.fds, &t, nil)
	}
	if w.fds[0].Revents != 0 {
		var b [8]byte
		_, _ = unix.Read(w.bell, b[:])
	}
	w.rung.Store(false) // before anybody looks for what was left
	runtime.KeepAlive(w)
	for i := range others {
		if w.fds[1+i].Revents&hung != 0 {
			others[i] = -1
		}
	}
	for i, l := range links {
		l.now.hung = w.fds[1+len(others)+i].Revents&hung != 0
	}
}
