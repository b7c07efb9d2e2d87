package panel

import (
	"net"
	"sync"
	"time"
)

// pages are the open pages, each with the newest event that it has not been
// sent. A page that does not keep up loses events, never the newest.
type pages struct {
	most, mostFrom int

	mu     sync.Mutex
	open   map[*page]bool
	closed bool
}

type page struct {
	from string
	wake chan struct{} // room for one
	mu   sync.Mutex
	next [2][]byte // newest frame, newest wind
}

const (
	isFrame = 0
	isWind  = 1
)

// join makes room for a page from an address; full says, in words, why not.
func (p *pages) join(from string) (pg *page, full string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if full := p.fullFor(from); full != "" {
		return nil, full
	}
	pg = &page{from: from, wake: make(chan struct{}, 1)}
	p.open[pg] = true
	return pg, ""
}

// full is join without joining.
func (p *pages) full(from string) string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.fullFor(from)
}

func (p *pages) fullFor(from string) string {
	if p.closed {
		return "This panel is ending."
	}
	if len(p.open) >= p.most {
		return "Too many pages are open on this panel. Close one, and this one comes by itself."
	}
	n := 0
	for pg := range p.open {
		if pg.from == from {
			n++
		}
	}
	if n >= p.mostFrom {
		return "Too many pages are open from this one device. Close one, and this one comes by itself."
	}
	return ""
}

func (p *pages) leave(pg *page) {
	p.mu.Lock()
	defer p.mu.Unlock()
	delete(p.open, pg)
}

// tell gives every page the same bytes; it never waits for one.
func (p *pages) tell(kind int, text []byte) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for pg := range p.open {
		pg.put(kind, text)
	}
}

func (pg *page) put(kind int, text []byte) {
	pg.mu.Lock()
	pg.next[kind] = text
	pg.mu.Unlock()
	select {
	case pg.wake <- struct{}{}:
	default:
	}
}

// take gives what waits, and forgets it.
func (pg *page) take() (out [][]byte) {
	pg.mu.Lock()
	defer pg.mu.Unlock()
	for i := range pg.next {
		if pg.next[i] != nil {
			out = append(out, pg.next[i])
			pg.next[i] = nil
		}
	}
	return out
}

// fewConns accepts at most so many connections at a time and hangs up on the
// rest at once, so that connections that say nothing take no more than that.
type fewConns struct {
	net.Listener
	most int

	mu   sync.Mutex
	open int
}

func (l *fewConns) Accept() (net.Conn, error) {
	for {
		c, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		l.mu.Lock()
		full := l.open >= l.most
		if !full {
			l.open++
		}
		l.mu.Unlock()
		if full {
			c.SetWriteDeadline(time.Now().Add(50 * time.Millisecond)) // a fresh buffer takes it at once
			c.Write([]byte("HTTP/1.1 503 Service Unavailable\r\nConnection: close\r\nContent-Length: 0\r\nRetry-After: 5\r\n\r\n"))
			c.Close()
			continue
		}
		if t, ok := c.(*net.TCPConn); ok {
			// What waits in a long buffer for a slow reader is old when it
			// is read.
			t.SetWriteBuffer(sendBuffer)
		}
		return &oneConn{Conn: c, from: l}, nil
	}
}

type oneConn struct {
	net.Conn
	from *fewConns
	once sync.Once
}

func (c *oneConn) Close() error {
	c.once.Do(func() {
		c.from.mu.Lock()
		c.from.open--
		c.from.mu.Unlock()
	})
	return c.Conn.Close()
}

// end lets nobody in any more.
func (p *pages) end() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.closed = true
}
