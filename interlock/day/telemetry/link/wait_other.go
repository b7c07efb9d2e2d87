//go:build !linux

package link

import "time"

// Waiter waits for a Wake, which the links' helpers give, or for a time.
type Waiter struct {
	woken chan struct{}
	timer *time.Timer
}

// NewWaiter makes a Waiter.
func NewWaiter() (*Waiter, error) {
	return &Waiter{woken: make(chan struct{}, 1), timer: time.NewTimer(0)}, nil
}

// Wake ends the present wait, or the next. Any goroutine.
func (w *Waiter) Wake() {
	select {
	case w.woken <- struct{}{}:
	default:
	}
}

// Wait waits for a Wake, and for d at most. It may end early.
func (w *Waiter) Wait(d time.Duration, _ []*Link, _ []int) {
	w.timer.Reset(d)
	select {
	case <-w.timer.C:
	case <-w.woken:
	}
}
