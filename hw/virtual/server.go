package virtual

import (
	"errors"
	"fmt"
	"time"

	"downhaul/hw/localsocket"
)

// ErrHeld means that another living process holds the virtual board.
var ErrHeld = errors.New("another guard holds this board")

const (
	// lookEvery is how often a watcher looks for new edges. Their times are
	// exact whenever it looks.
	lookEvery = 10 * time.Millisecond
	// sumEvery is how often the heartbeat is summed up for a watcher. It also
	// finds out watchers that have gone.
	sumEvery = time.Second
)

// serve lets other processes see and work the board: its owner's alone.
func serve(v *Board, path string) (*localsocket.Server, error) {
	s, err := localsocket.Serve(localsocket.Config{
		Path: path, Mode: 0o600, Group: -1, Handle: v.handle,
		Refusal: Reply{Error: fmt.Sprintf("the board has %d clients already; end one of them", localsocket.MostClients)},
		TooLong: Reply{Error: fmt.Sprintf("the line is longer than %d bytes; send one short request a line", localsocket.MostLine)},
	})
	if errors.Is(err, localsocket.ErrHeld) {
		return nil, fmt.Errorf("%w: %w", ErrHeld, err)
	}
	return s, err
}

// handle answers one line; false hangs up.
func (v *Board) handle(c *localsocket.Client, text []byte) bool {
	r, err := parseRequest(text)
	switch {
	case err != nil:
		err = c.Send(Reply{Error: err.Error()})
	case r.Do == "watch":
		v.watch(c, r.Heartbeat)
		return false
	default:
		err = c.Send(v.answer(r))
	}
	return err == nil
}

// watch sends what changes from now on until the client or the board goes. It
// reads the rings by number: a slow client loses edges, and is told so; nothing
// waits for it.
func (v *Board) watch(c *localsocket.Client, beats bool) {
	edge, beat := v.mark()
	summed := beat
	if c.Send(Reply{OK: true}) != nil {
		return
	}
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	due := time.Now().Add(sumEvery)
	for {
		select {
		case <-v.done:
			return
		case <-tick.C:
		}
		now, edges, missed := v.edgesSince(&edge)
		if beats {
			_, more, lost := v.beatsSince(&beat)
			edges, missed = byTime(edges, more), missed+lost
		}
		if missed > 0 && c.Send(Event{At: now.Seconds(), Line: "missed", Edges: missed}) != nil {
			return
		}
		for _, e := range edges {
			if c.Send(Event{At: e.At.Seconds(), Line: e.Line, On: e.On}) != nil {
				return
			}
		}
		if time.Now().Before(due) {
			continue
		}
		due = time.Now().Add(sumEvery)
		from := summed
		now, all, _ := v.beatsSince(&summed)
		sum := Event{At: now.Seconds(), Line: "beats", Edges: summed - from}
		if least, most, ok := gaps(all); ok {
			a, b := least.Seconds(), most.Seconds()
			sum.LeastGap, sum.MostGap = &a, &b
		}
		if c.Send(sum) != nil {
			return
		}
	}
}

// byTime merges two traces that are in order of time each.
func byTime(a, b []OutputEdge) []OutputEdge {
	out := make([]OutputEdge, 0, len(a)+len(b))
	for len(a) > 0 && len(b) > 0 {
		if a[0].At < b[0].At {
			out, a = append(out, a[0]), a[1:]
		} else {
			out, b = append(out, b[0]), b[1:]
		}
	}
	return append(append(out, a...), b...)
}

// mark gives the numbers of the next output edge and heartbeat edge.
func (v *Board) mark() (edge, beat uint64) {
	now := v.cfg.Now()
	v.mu.Lock()
	defer v.mu.Unlock()
	_ = v.tick(now) // on a closed board nothing comes any more
	return v.trace.total, v.beats.total
}

// edgesSince gives the output edges from number *from on and moves it along.
func (v *Board) edgesSince(from *uint64) (at time.Duration, edges []OutputEdge, missed uint64) {
	now := v.cfg.Now()
	v.mu.Lock()
	defer v.mu.Unlock()
	_ = v.tick(now)
	edges, missed = v.trace.since(*from)
	*from = v.trace.total
	return v.at, edges, missed
}

// beatsSince is edgesSince for the heartbeat's edges.
func (v *Board) beatsSince(from *uint64) (now time.Duration, edges []OutputEdge, missed uint64) {
	v.mu.Lock()
	defer v.mu.Unlock()
	edges, missed = v.beats.since(*from)
	*from = v.beats.total
	return v.at, edges, missed
}
