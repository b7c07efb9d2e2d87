package planted

import (
	"errors"
	"slices"
	"sync"
	"time"
)

type right struct {
	mu    sync.RWMutex
	other sync.Mutex
	n     int
	wake  chan struct{}
	list  []int
	now   func() time.Duration
}

func (r *right) inTurn() {
	r.mu.Lock()
	n := r.n
	r.mu.Unlock()
	r.other.Lock()
	defer r.other.Unlock()
	r.n = n
}

func (r *right) early(x int) error {
	at := r.now()
	r.mu.Lock()
	if x < 0 {
		r.mu.Unlock()
		r.inTurn()
		return errors.New("less than nothing")
	}
	r.list = append(r.list, int(at))
	slices.SortFunc(r.list, func(a, b int) int { return a - b })
	r.mu.Unlock()
	r.inTurn()
	return nil
}

func (r *right) tries(x int) {
	if x < 0 || !r.mu.TryLock() {
		r.inTurn()
		return
	}
	defer r.mu.Unlock()
	r.n += x
}

func (r *right) wakes() {
	r.mu.Lock()
	defer r.mu.Unlock()
	go r.inTurn()
	go func() { r.inTurn() }()
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

func (r *right) rounds() {
	for {
		r.mu.RLock()
		done := r.n > 3
		r.mu.RUnlock()
		if done {
			break
		}
		r.inTurn()
	}
	r.inTurn()
}

func (r *right) calls(each func(int)) {
	r.mu.Lock()
	list := slices.Clone(r.list)
	r.mu.Unlock()
	for _, n := range list {
		each(n)
	}
}

func (r *right) deferred() {
	defer r.inTurn() // after the lock is let go
	r.mu.Lock()
	defer r.mu.Unlock()
	double := func(n int) int { return 2 * n }
	r.n = double(r.n)
}

func (r *right) handsIn() { r.calls(func(int) { r.inTurn() }) }
