// Package ask asks the guard that serves a local socket.
package ask

import (
	"errors"
	"fmt"

	"downhaul/hw/localsocket/client"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/answers/told"
)

// Guard sends one request to the guard that serves socket.
func Guard(socket string, r answers.Request) (answers.Reply, error) {
	c, err := dial(socket)
	if err != nil {
		return answers.Reply{}, err
	}
	defer c.Close()
	return one(c, r)
}

func dial(socket string) (*client.Conn, error) {
	c, err := client.Dial(socket)
	if err != nil {
		return nil, fmt.Errorf("%w; is the guard running, and is this the socket that its pad file names?", err)
	}
	return c, nil
}

func one(c *client.Conn, r answers.Request) (reply answers.Reply, err error) {
	if err := c.Ask(r, &reply); err != nil {
		return answers.Reply{}, err
	}
	return reply, reply.Err()
}

// Once asks the guard that serves socket for its status, in words.
func Once(socket string) (*told.Status, error) {
	c, err := dial(socket)
	if err != nil {
		return nil, err
	}
	defer c.Close()
	status, _, err := Status(c, nil)
	return status, err
}

// Status asks for a guard's status over a connection and puts it into words by what
// the guard runs on: known, which it told before, or asked for anew in a new session.
func Status(c *client.Conn, known *told.Setup) (*told.Status, *told.Setup, error) {
	reply, err := one(c, answers.Request{Do: "status"})
	if err == nil && reply.Seen == nil {
		err = errors.New("the guard answered without a status; are tool and guard of one version?")
	}
	if err != nil {
		return nil, known, err
	}
	seen := reply.Seen
	if known == nil || known.Session != seen.Session {
		reply, err = one(c, answers.Request{Do: "files"})
		if err == nil && reply.Files == nil {
			err = errors.New("the guard did not answer what it runs on; are tool and guard of one version?")
		}
		if err == nil {
			known, err = told.Read(seen.Session, reply.Files)
		}
		if err != nil {
			return nil, nil, err
		}
	}
	if err := known.Fits(seen); err != nil {
		return nil, nil, err
	}
	return known.Status(seen), known, nil
}
