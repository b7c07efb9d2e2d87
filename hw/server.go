package hw

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"sync"
	"time"
)

// Bounds of the socket, all ours: however many clients call and whatever they
// send or leave unread, the board's own work waits for one short act at most.
const (
	mostClients = 16
	// writeWithin is how long a client may leave a reply or an event unread
	// before it is let go.
	writeWithin = time.Second
	// idleWithin frees the place of a client that sends nothing.
	idleWithin = time.Minute
	// actEvery paces the requests of all clients together: 500 a second.
	actEvery = 2 * time.Millisecond
	// lookEvery is how often a watcher looks for new edges. Their times are
	// exact whenever it looks.
	lookEvery = 10 * time.Millisecond
	// sumEvery is how often the heartbeat is summed up for a watcher. It also
	// finds out watchers that have gone.
	sumEvery = time.Second
)

type server struct {
	v        *Virtual
	lock     *os.File
	listener *net.UnixListener
	work     sync.WaitGroup

	mu      sync.Mutex
	clients map[net.Conn]bool
	closed  bool

	pace sync.Mutex
	next time.Time // of the next act; guarded by pace
}

func serve(v *Virtual, path string) (*server, error) {
	lock, err := hold(path)
	if err != nil {
		return nil, err
	}
	l, err := listen(path)
	if err != nil {
		lock.Close()
		return nil, err
	}
	s := &server{v: v, lock: lock, listener: l, clients: map[net.Conn]bool{}}
	s.work.Go(s.accept)
	return s, nil
}

// close ends every client, removes the socket and lets the lock go last, so
// that the next board finds no socket in its way.
func (s *server) close() error {
	s.mu.Lock()
	s.closed = true
	err := s.listener.Close()
	for c := range s.clients {
		c.Close()
	}
	s.mu.Unlock()
	s.work.Wait()
	return errors.Join(err, s.lock.Close())
}

func (s *server) accept() {
	for {
		c, err := s.listener.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil { // such as no file left; the clients there go on
			select {
			case <-s.v.done:
				return
			case <-time.After(100 * time.Millisecond):
			}
			continue
		}
		s.mu.Lock()
		full := len(s.clients) >= mostClients
		if full || s.closed {
			s.mu.Unlock()
			if full {
				text, _ := json.Marshal(Reply{Error: fmt.Sprintf("the board has %d clients already; end one of them", mostClients)})
				// A fresh connection's buffer takes this line without waiting.
				c.SetWriteDeadline(time.Now().Add(50 * time.Millisecond))
				c.Write(append(text, '\n'))
			}
			c.Close()
			continue
		}
		s.clients[c] = true
		s.work.Go(func() { s.client(c) })
		s.mu.Unlock()
	}
}

func (s *server) client(c net.Conn) {
	defer func() {
		c.Close()
		s.mu.Lock()
		delete(s.clients, c)
		s.mu.Unlock()
	}()
	in := bufio.NewReaderSize(c, mostLine)
	for {
		c.SetReadDeadline(time.Now().Add(idleWithin))
		text, err := in.ReadSlice('\n')
		if errors.Is(err, bufio.ErrBufferFull) {
			s.send(c, Reply{Error: fmt.Sprintf("the line is longer than %d bytes; send one short request a line", mostLine)})
			return
		}
		if err != nil {
			return
		}
		if !s.turn() {
			return
		}
		r, err := parseRequest(text)
		switch {
		case err != nil:
			err = s.send(c, Reply{Error: err.Error()})
		case r.Do == "watch":
			s.watch(c, r.Heartbeat)
			return
		default:
			err = s.send(c, s.v.answer(r))
		}
		if err != nil {
			return
		}
	}
}

// turn waits for this client's turn to act; false when the board closes.
func (s *server) turn() bool {
	s.pace.Lock()
	defer s.pace.Unlock()
	if wait := time.Until(s.next); wait > 0 {
		select {
		case <-s.v.done:
			return false
		case <-time.After(wait):
		}
	}
	s.next = time.Now().Add(actEvery)
	return true
}

func (s *server) send(c net.Conn, what any) error {
	text, err := json.Marshal(what)
	if err != nil {
		return fmt.Errorf("write reply: %w", err)
	}
	c.SetWriteDeadline(time.Now().Add(writeWithin))
	_, err = c.Write(append(text, '\n'))
	return err
}

// watch sends what changes from now on until the client or the board goes. It
// reads the rings by number: a slow client loses edges, and is told so; nothing
// waits for it.
func (s *server) watch(c net.Conn, beats bool) {
	edge, beat := s.v.mark()
	summed := beat
	if s.send(c, Reply{OK: true}) != nil {
		return
	}
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	due := time.Now().Add(sumEvery)
	for {
		select {
		case <-s.v.done:
			return
		case <-tick.C:
		}
		now, edges, missed := s.v.edgesSince(&edge)
		if beats {
			_, more, lost := s.v.beatsSince(&beat)
			edges, missed = byTime(edges, more), missed+lost
		}
		if missed > 0 && s.send(c, Event{At: now.Seconds(), Line: "missed", Edges: missed}) != nil {
			return
		}
		for _, e := range edges {
			if s.send(c, Event{At: e.At.Seconds(), Line: e.Line, On: e.On}) != nil {
				return
			}
		}
		if time.Now().Before(due) {
			continue
		}
		due = time.Now().Add(sumEvery)
		from := summed
		now, all, _ := s.v.beatsSince(&summed)
		sum := Event{At: now.Seconds(), Line: "beats", Edges: summed - from}
		if least, most, ok := gaps(all); ok {
			a, b := least.Seconds(), most.Seconds()
			sum.LeastGap, sum.MostGap = &a, &b
		}
		if s.send(c, sum) != nil {
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
func (v *Virtual) mark() (edge, beat uint64) {
	v.mu.Lock()
	defer v.mu.Unlock()
	_ = v.tick() // on a closed board nothing comes any more
	return v.trace.total, v.beats.total
}

// edgesSince gives the output edges from number *from on and moves it along.
func (v *Virtual) edgesSince(from *uint64) (now time.Duration, edges []OutputEdge, missed uint64) {
	v.mu.Lock()
	defer v.mu.Unlock()
	_ = v.tick()
	edges, missed = v.trace.since(*from)
	*from = v.trace.total
	return v.at, edges, missed
}

// beatsSince is edgesSince for the heartbeat's edges.
func (v *Virtual) beatsSince(from *uint64) (now time.Duration, edges []OutputEdge, missed uint64) {
	v.mu.Lock()
	defer v.mu.Unlock()
	edges, missed = v.beats.since(*from)
	*from = v.beats.total
	return v.at, edges, missed
}
