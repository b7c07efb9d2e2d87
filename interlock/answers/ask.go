package answers

import (
	"fmt"

	"downhaul/hw/localsocket"
)

// Ask sends one request to the guard that serves socket.
func Ask(socket string, r Request) (Reply, error) {
	c, err := localsocket.Dial(socket)
	if err != nil {
		return Reply{}, fmt.Errorf("%w; is the guard running, and is this the socket that its pad file names?", err)
	}
	defer c.Close()
	var reply Reply
	if err := c.Ask(r, &reply); err != nil {
		return Reply{}, err
	}
	return reply, reply.Err()
}

// Err returns why a reply cannot be used: the guard refused, or it is of a newer
// version than this program, which could misread what it says.
func (r *Reply) Err() error {
	if !r.OK {
		return fmt.Errorf("the guard says: %s", r.Error)
	}
	if s := r.Status; s != nil && s.Schema != StatusSchema {
		return fmt.Errorf("the guard answers in form %d, and this program reads %d: use the program of the same version as the guard", s.Schema, StatusSchema)
	}
	return nil
}
