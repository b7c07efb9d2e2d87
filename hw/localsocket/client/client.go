// Package client asks whoever serves a local socket.
package client

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"time"
)

const (
	dialWithin  = 2 * time.Second
	replyWithin = 5 * time.Second
	mostReply   = 1 << 20
)

// Conn is a client's end. For one goroutine.
type Conn struct {
	conn net.Conn
	in   *bufio.Reader
}

// Dial connects to a socket.
func Dial(path string) (*Conn, error) {
	conn, err := net.DialTimeout("unix", path, dialWithin)
	if err != nil {
		return nil, fmt.Errorf("nothing answers on %s: %w", path, err)
	}
	return &Conn{conn: conn, in: bufio.NewReaderSize(conn, mostReply)}, nil
}

// Close hangs up.
func (c *Conn) Close() error { return c.conn.Close() }

// Ask sends one object and reads one line of reply into reply. The other side
// may have hung up with a reason, so a failed write still looks for a reply.
func (c *Conn) Ask(request, reply any) error {
	text, err := json.Marshal(request)
	if err != nil {
		return err
	}
	if err := c.conn.SetWriteDeadline(time.Now().Add(replyWithin)); err != nil {
		return err
	}
	_, wrote := c.conn.Write(append(text, '\n'))
	if err := c.Read(reply); err != nil {
		return errors.Join(wrote, err)
	}
	return nil
}

// Read reads one more line of a client that was promised more, within five
// seconds.
func (c *Conn) Read(into any) error {
	if err := c.conn.SetReadDeadline(time.Now().Add(replyWithin)); err != nil {
		return err
	}
	line, err := c.in.ReadSlice('\n')
	if err != nil {
		return fmt.Errorf("no answer: %w", err)
	}
	if err := json.Unmarshal(line, into); err != nil {
		return fmt.Errorf("the answer is no JSON of this version: %w", err)
	}
	return nil
}
