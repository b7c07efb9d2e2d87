package planted

import (
	"fmt"
	"os"
	"slices"
	"sync"
	"time"
)

type wrong struct {
	a, b sync.Mutex
	rw   sync.RWMutex
	once sync.Once
	work sync.WaitGroup
	n    int
	ch   chan int
	now  func() time.Duration
	sink sink
}

type sink interface{ put(int) }

type slowSink struct{ mu sync.Mutex }

func (s *slowSink) put(int) {
	s.mu.Lock()
	defer s.mu.Unlock()
}

func (w *wrong) takesB() {
	w.b.Lock()
	w.n++
	w.b.Unlock()
}

func (w *wrong) helper() { w.takesB() }

func (w *wrong) direct() {
	w.a.Lock()
	defer w.a.Unlock()
	w.b.Lock() // finds: takes the lock wrong.b
	w.b.Unlock()
}

func (w *wrong) throughHelpers() {
	w.a.Lock()
	w.helper() // finds: calls planted.wrong.takesB, which takes the lock wrong.b
	w.a.Unlock()
}

func (w *wrong) reading() {
	w.rw.RLock()
	defer w.rw.RUnlock()
	w.helper() // finds: takes the lock wrong.b
}

func (w *wrong) tried() {
	if w.a.TryLock() {
		w.helper() // finds: takes the lock wrong.b
		w.a.Unlock()
	}
}

func (w *wrong) onOneWayOnly(x int) {
	if x > 0 {
		w.a.Lock() // finds: is still held where the function returns
	}
	w.helper() // finds: takes the lock wrong.b
	if x > 0 {
		w.a.Unlock()
	}
}

func (w *wrong) leaves() {
	w.a.Lock() // finds: is still held where the function returns
}

func (w *wrong) letsGo() {
	w.b.Unlock() // finds: which this function did not take
}

func (w *wrong) throughInterface() {
	w.a.Lock()
	defer w.a.Unlock()
	w.sink.put(1) // finds: calls planted.slowSink.put
}

func (w *wrong) throughField() {
	w.a.Lock()
	defer w.a.Unlock()
	_ = w.now() // finds: calls the function value w.now
}

func (w *wrong) throughMethodValue() {
	f := w.takesB
	w.a.Lock()
	defer w.a.Unlock()
	f() // finds: calls the function value f
}

func (w *wrong) lockAsValue() {
	f := w.b.Lock // finds: uses a method of a lock as a value
	f()
}

func (w *wrong) throughCallback(each func()) {
	w.a.Lock()
	defer w.a.Unlock()
	each() // finds: calls back the function that was handed in
}

func run(f func()) { f() }

func (w *wrong) handsOver() {
	w.a.Lock()
	defer w.a.Unlock()
	run(w.takesB)                            // finds: calls planted.wrong.takesB
	run(func() { w.b.Lock(); w.b.Unlock() }) // finds: takes the lock wrong.b
	slices.SortFunc([]int{2, 1}, func(a, b int) int {
		w.helper() // finds: calls planted.wrong.takesB
		return a - b
	})
}

func (w *wrong) inALiteral() {
	take := func() { w.helper() }
	w.a.Lock()
	defer w.a.Unlock()
	take() // finds: calls planted.wrong.takesB
}

func (w *wrong) inADefer() {
	w.a.Lock()
	defer w.a.Unlock()
	defer w.helper() // finds: calls planted.wrong.takesB
}

func (w *wrong) nextRound() {
	for range 3 {
		w.helper() // finds: calls planted.wrong.takesB
		w.a.Lock() // finds: takes the lock wrong.a
	}
	w.a.Unlock()
}

func (w *wrong) once1() {
	w.once.Do(func() {
		w.helper() // finds: calls planted.wrong.takesB
	})
}

func (w *wrong) waits() {
	w.a.Lock()
	defer w.a.Unlock()
	w.ch <- 1     // finds: waits for a channel to take
	<-w.ch        // finds: waits for a channel to give
	w.work.Wait() // finds: sync.Wait, which may wait
	time.Sleep(1) // finds: time.Sleep, which may wait
	select {      // finds: waits in a select
	case <-w.ch:
	}
	for range w.ch { // finds: waits for a channel to give
	}
	_, _ = os.ReadFile("x") // finds: os.ReadFile, which may wait
	fmt.Println()           // finds: fmt.Println, which may wait
}

func (w *wrong) Error() string { // finds: Error is called where nobody sees it
	w.a.Lock()
	defer w.a.Unlock()
	return ""
}
