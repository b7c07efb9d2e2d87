// Package ask asks the guard that serves a local socket.
package ask

import (
	"fmt"

	"downhaul/hw/localsocket/client"
	"downhaul/interlock/day/answers"
)

// Guard sends one request to the guard that serves socket.
func Guard(socket string, r answers.Request) (answers.Reply, error) {
	c, err := client.Dial(socket)
	if err != nil {
		return answers.Reply{}, fmt.Errorf("%w; is the guard running, and is this the socket that its pad file names?", err)
	}
	defer c.Close()
	var reply answers.Reply
	if err := c.Ask(r, &reply); err != nil {
		return answers.Reply{}, err
	}
	return reply, reply.Err()
}
