package localsocket

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"net"
	"os"
	"slices"
	"sync"
	"time"
)

// Bounds, all ours.
const (
	// MostClients is how many there is place for at a time.
	MostClients = 16
	// MostLine is the longest request in bytes.
	MostLine = 4 << 10
	// writeWithin is how long a client may leave a reply unread.
	writeWithin = time.Second
	// idleWithin frees the place of a client that sends nothing.
	idleWithin = time.Minute
	// actEvery paces the requests of all clients together: 500 a second.
	actEvery = 2 * time.Millisecond
)

// ErrHeld means that another living process holds the socket.
var ErrHeld = errors.New("another process holds this socket")

// Config states what a server is.
type Config struct {
	Path string
	// Mode is the socket's permissions; Group, if not negative, its group.
	Mode  fs.FileMode
	Group int
	// Handle answers one line. It may send more than once; false hangs up.
	Handle func(c *Client, line []byte) bool
	// Refusal is what a client is told that finds no place, TooLong what one is
	// told whose line is longer than MostLine, before it is let go.
	Refusal, TooLong any
}

// Client is one client as its handler sees it.
type Client struct{ conn net.Conn }

// Send writes one object as a line. An error means that the client is gone or
// does not read.
func (c *Client) Send(what any) error {
	text, err := json.Marshal(what)
	if err != nil {
		return fmt.Errorf("write reply: %w", err)
	}
	c.conn.SetWriteDeadline(time.Now().Add(writeWithin))
	_, err = c.conn.Write(append(text, '\n'))
	return err
}

// Server is a socket that is being served.
type Server struct {
	cfg      Config
	lock     *os.File
	listener *net.UnixListener
	work     sync.WaitGroup
	done     chan struct{}

	mu      sync.Mutex
	clients map[net.Conn]bool
	closed  bool

	pace sync.Mutex
	next time.Time // of the next request; guarded by pace
}

// Serve takes the socket and its lock. A socket file that a dead process left
// is replaced; a live one gives ErrHeld.
func Serve(cfg Config) (*Server, error) {
	if cfg.Handle == nil || cfg.Refusal == nil || cfg.TooLong == nil {
		return nil, errors.New("local socket: a handler and both refusals must be given")
	}
	lock, err := hold(cfg.Path)
	if err != nil {
		return nil, err
	}
	l, err := listen(cfg)
	if err != nil {
		drop(lock)
		return nil, err
	}
	s := &Server{cfg: cfg, lock: lock, listener: l, clients: map[net.Conn]bool{}, done: make(chan struct{})}
	s.work.Go(s.accept)
	return s, nil
}

// Close ends every client, removes the socket and lets the lock go last, so
// that the next process finds no socket in its way.
func (s *Server) Close() error {
	s.mu.Lock()
	if s.closed {
		s.mu.Unlock()
		return nil
	}
	s.closed = true // from here on accept takes nobody in
	clients := slices.Collect(maps.Keys(s.clients))
	s.mu.Unlock()
	close(s.done)
	err := s.listener.Close()
	for _, c := range clients {
		c.Close()
	}
	s.work.Wait()
	return errors.Join(err, drop(s.lock))
}

// Clients is how many there are now.
func (s *Server) Clients() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.clients)
}

func (s *Server) accept() {
	for {
		c, err := s.listener.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil { // such as no file left; the clients there go on
			select {
			case <-s.done:
				return
			case <-time.After(100 * time.Millisecond):
			}
			continue
		}
		s.mu.Lock()
		full := len(s.clients) >= MostClients
		taken := !full && !s.closed
		if taken {
			s.clients[c] = true
		}
		s.mu.Unlock()
		if !taken {
			if full {
				text, _ := json.Marshal(s.cfg.Refusal)
				// A fresh connection's buffer takes this line without waiting.
				c.SetWriteDeadline(time.Now().Add(50 * time.Millisecond))
				c.Write(append(text, '\n'))
			}
			c.Close()
			continue
		}
		// accept itself is one of work, so that Close cannot be past its wait here.
		s.work.Go(func() { s.client(c) })
	}
}

func (s *Server) client(conn net.Conn) {
	defer func() {
		conn.Close()
		s.mu.Lock()
		delete(s.clients, conn)
		s.mu.Unlock()
	}()
	c := &Client{conn}
	in := bufio.NewReaderSize(conn, MostLine)
	for {
		conn.SetReadDeadline(time.Now().Add(idleWithin))
		line, err := in.ReadSlice('\n')
		if errors.Is(err, bufio.ErrBufferFull) {
			_ = c.Send(s.cfg.TooLong) // what is in the middle of a line cannot go on
			return
		}
		if err != nil || !s.turn() || !s.cfg.Handle(c, line) {
			return
		}
	}
}

// turn waits for this client's turn; it reports false when the server closes. The
// turn is booked under the lock and waited for outside of it.
func (s *Server) turn() bool {
	now := time.Now()
	s.pace.Lock()
	at := now
	if s.next.After(now) {
		at = s.next
	}
	s.next = at.Add(actEvery)
	s.pace.Unlock()
	if wait := at.Sub(now); wait > 0 {
		select {
		case <-s.done:
			return false
		case <-time.After(wait):
		}
	}
	return true
}
