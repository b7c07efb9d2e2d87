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
	gone chan struct{} // closed when its place went to another address
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
	if len(p.open) >= p.most {
		p.giveUp(from)
	}
	pg = &page{from: from, wake: make(chan struct{}, 1), gone: make(chan struct{})}
	p.open[pg] = true
	return pg, ""
}

// full is join without joining.
func (p *pages) full(from string) string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.fullFor(from)
}

// fullFor returns why there is no place for one more page from an address. Where
// all places are taken, an address that holds many gives one up to an address
// that holds few: so no device, and no four of them, keep the crew out.
func (p *pages) fullFor(from string) string {
	if p.closed {
		return "This panel is ending."
	}
	held := map[string]int{}
	for pg := range p.open {
		held[pg.from]++
	}
	if held[from] >= p.mostFrom {
		return "Too many pages are open from this one device. Close one, and this one comes by itself."
	}
	if len(p.open) >= p.most && greediest(held, from) == "" {
		return "Too many pages are open on this panel. Close one, and this one comes by itself."
	}
	return ""
}

// greediest returns the address that holds the most, if it would still hold no
// fewer than from after giving one place up to it; else nothing.
func greediest(held map[string]int, from string) (who string) {
	most := held[from] + 1
	for address, n := range held {
		if n > most || n == most && who != "" && address < who {
			who, most = address, n
		}
	}
	return who
}

// giveUp ends one page of the address that holds the most.
func (p *pages) giveUp(from string) {
	held := map[string]int{}
	for pg := range p.open {
		held[pg.from]++
	}
	who := greediest(held, from)
	for pg := range p.open {
		if pg.from == who {
			delete(p.open, pg)
			close(pg.gone)
			return
		}
	}
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

// fewConns accepts at most so many connections at a time, and so many from one
// address, and hangs up on the rest at once, so that connections that say
// nothing take no more than that. Where all are taken, an address that holds
// many loses one to an address that holds few.
type fewConns struct {
	net.Listener
	most, mostFrom int

	mu   sync.Mutex
	open map[*oneConn]bool
}

func (l *fewConns) Accept() (net.Conn, error) {
	for {
		c, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		from, _, _ := net.SplitHostPort(c.RemoteAddr().String())
		one := &oneConn{Conn: c, from: from, of: l}
		loser, ok := l.place(one)
		if loser != nil {
			loser.Close()
		}
		if !ok {
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
		return one, nil
	}
}

// place finds a place for a connection, and which one must go for it.
func (l *fewConns) place(c *oneConn) (loser *oneConn, ok bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	held := map[string]int{}
	for o := range l.open {
		held[o.from]++
	}
	if held[c.from] >= l.mostFrom {
		return nil, false
	}
	if len(l.open) >= l.most {
		who := greediest(held, c.from)
		for o := range l.open {
			if who != "" && o.from == who {
				loser = o
				break
			}
		}
		if loser == nil {
			return nil, false
		}
		delete(l.open, loser)
	}
	l.open[c] = true
	return loser, true
}

type oneConn struct {
	net.Conn
	from string
	of   *fewConns
}

func (c *oneConn) Close() error {
	c.of.mu.Lock()
	delete(c.of.open, c)
	c.of.mu.Unlock()
	return c.Conn.Close()
}

// end lets nobody in any more.
func (p *pages) end() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.closed = true
}
