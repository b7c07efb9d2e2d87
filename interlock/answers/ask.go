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
	if !reply.OK {
		return reply, fmt.Errorf("the guard says: %s", reply.Error)
	}
	return reply, nil
}
