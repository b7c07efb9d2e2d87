package virtual

import (
	"context"
	"errors"
	"fmt"

	"downhaul/hw/localsocket/client"
)

// Client sees and works a virtual board in another process. For one goroutine.
type Client struct {
	conn *client.Conn
}

// Dial connects to the socket of a virtual board.
func Dial(socket string) (*Client, error) {
	conn, err := client.Dial(socket)
	if err != nil {
		return nil, fmt.Errorf("no virtual board answers (%w); start the guard with a pad file that has a virtual board, and give the socket named there", err)
	}
	return &Client{conn: conn}, nil
}

// Close hangs up.
func (c *Client) Close() error { return c.conn.Close() }

// Do sends one request and waits for its reply. A refusal is an error with the
// board's own words. It does not watch; see Watch.
func (c *Client) Do(r Request) (Reply, error) {
	var reply Reply
	if err := c.conn.Ask(r, &reply); err != nil {
		return Reply{}, fmt.Errorf("%s: the board: %w", r.Do, err)
	}
	if !reply.OK {
		return reply, errors.New(reply.Error)
	}
	return reply, nil
}

// Show asks for the state of the board.
func (c *Client) Show() (State, error) {
	r, err := c.Do(Request{Do: "show"})
	if err != nil {
		return State{}, err
	}
	if r.State == nil || r.State.Version != stateVersion {
		return State{}, fmt.Errorf("show: the board's state is not of version %d; use the tool of the guard's own version", stateVersion)
	}
	return *r.State, nil
}

func (c *Client) named(do, name string) error {
	_, err := c.Do(Request{Do: do, Name: name})
	return err
}

// Press is Board.Press.
func (c *Client) Press(name string) error { return c.named("press", name) }

// Release is Board.Release.
func (c *Client) Release(name string) error { return c.named("release", name) }

// OpenContact is Board.OpenContact.
func (c *Client) OpenContact(name string) error { return c.named("open", name) }

// CloseContact is Board.CloseContact.
func (c *Client) CloseContact(name string) error { return c.named("close", name) }

// Break is Board.Break.
func (c *Client) Break(name string) error { return c.named("break", name) }

// Mend is Board.Mend.
func (c *Client) Mend(name string) error { return c.named("mend", name) }

// Turn is Board.Turn.
func (c *Client) Turn(hz float64) error {
	_, err := c.Do(Request{Do: "turn", Hz: &hz})
	return err
}

// Load is Board.Load.
func (c *Client) Load(newtons float64) error {
	_, err := c.Do(Request{Do: "load", Newtons: &newtons})
	return err
}

// Watch calls fn for every event until ctx ends or fn fails, then hangs up: the
// client is of no more use. It returns nil when ctx ended, fn's error, or why
// the board stopped. With beats it gives every heartbeat edge too.
func (c *Client) Watch(ctx context.Context, beats bool, fn func(Event) error) error {
	defer c.conn.Close()
	if _, err := c.Do(Request{Do: "watch", Heartbeat: beats}); err != nil {
		return err
	}
	stop := context.AfterFunc(ctx, func() { c.conn.Close() })
	defer stop()
	for {
		// The board writes once a second at least, well within what Read waits.
		var e Event
		if err := c.conn.Read(&e); err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return fmt.Errorf("watch: %w", err)
		}
		if err := fn(e); err != nil {
			return err
		}
	}
}
