package guard

import "sync/atomic"

// ring hands things over from one goroutine to one other. Neither ever waits. The things
// stay in their places and keep what they hold, so that a running ring allocates nothing.
type ring[T any] struct {
	slots        []T
	given, taken atomic.Uint64 // in all; the giver's and the taker's alone to move
}

func newRing[T any](size int) *ring[T] { return &ring[T]{slots: make([]T, size)} }

// room is the place of the next thing to give, nil where the ring is full. give hands
// it over.
func (r *ring[T]) room() *T {
	n := r.given.Load()
	if n-r.taken.Load() == uint64(len(r.slots)) {
		return nil
	}
	return &r.slots[n%uint64(len(r.slots))]
}

func (r *ring[T]) give() { r.given.Add(1) }

// next is the oldest thing that was given, nil where there is none. done lets its place
// go.
func (r *ring[T]) next() *T {
	n := r.taken.Load()
	if n == r.given.Load() {
		return nil
	}
	return &r.slots[n%uint64(len(r.slots))]
}

func (r *ring[T]) done() { r.taken.Add(1) }
