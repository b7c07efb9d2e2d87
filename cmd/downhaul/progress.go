package main

import (
	"fmt"
	"io"
	"sync"
	"sync/atomic"
	"time"
)

// progress shows on a terminal how far long work is; elsewhere it shows
// nothing. It is one line that is written over and taken away at the end.
type progress struct {
	w       io.Writer // nil: not a terminal
	command string
	what    string // is counted
	count   int
	of      atomic.Int64 // how many, where the work says it as it goes
	total   int64        // bytes of all recordings
	got     atomic.Int64
	done    atomic.Int64
	stop    chan struct{}
	ended   sync.WaitGroup
}

// showAfter is when the first line is shown: work that is over sooner needs
// none. showEvery is how often it is renewed. Ours.
const (
	showAfter = 500 * time.Millisecond
	showEvery = 200 * time.Millisecond
)

func newProgress(w io.Writer, command string, count int) *progress {
	p := &progress{command: command, what: "recordings", count: count, stop: make(chan struct{})}
	if redraws(w) {
		p.w = w
	}
	return p
}

func (p *progress) read(n int) { p.got.Add(int64(n)) }

// one counts one thing done, of so many.
func (p *progress) one(of int) {
	p.of.Store(int64(of))
	p.done.Add(1)
}

// begin starts the display.
func (p *progress) begin() {
	if p.w == nil {
		return
	}
	p.ended.Go(func() {
		wait := time.NewTimer(showAfter)
		defer wait.Stop()
		shown := false
		for {
			select {
			case <-p.stop:
				if shown {
					fmt.Fprint(p.w, "\r\x1b[K")
				}
				return
			case <-wait.C:
				fmt.Fprintf(p.w, "\r%s\x1b[K", p.line())
				shown = true
				wait.Reset(showEvery)
			}
		}
	})
}

// line is how far it is, in less than 80 columns. The bytes count the first
// look at each recording, too, so they may pass the whole a little.
func (p *progress) line() string {
	text := fmt.Sprintf("%s: %d of %d %s", p.command, p.done.Load(), max(int64(p.count), p.of.Load()), p.what)
	if p.count == 1 || p.count == 0 && p.of.Load() == 0 {
		text = p.command
	}
	if p.total > 0 {
		text += fmt.Sprintf(", %d %% of %.1f MB", min(100, p.got.Load()*100/p.total), float64(p.total)/1e6)
	}
	return text
}

// end takes the line away.
func (p *progress) end() {
	close(p.stop)
	p.ended.Wait()
}
