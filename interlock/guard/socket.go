package guard

import (
	"encoding/json"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"downhaul/hw/localsocket"
	"downhaul/interlock"
	"downhaul/interlock/intake"
)

// Request is one line of the guard's local socket.
type Request struct {
	Do   string `json:"do"` // "status" or "mark"
	Text string `json:"text,omitempty"`
}

// Reply answers a Request.
type Reply struct {
	OK     bool    `json:"ok"`
	Error  string  `json:"error,omitempty"`
	Status *Status `json:"status,omitempty"`
}

// mostMark bounds the text of a mark.
const mostMark = 200

// serve opens the local socket. Nothing on it can reset, start or change a
// decision; a mark only stamps the record.
func (g *Guard) serve() (err error) {
	if g.pad.Socket == "" {
		return nil
	}
	g.socket, err = localsocket.Serve(localsocket.Config{
		Path: g.pad.Socket, Mode: 0o660, Group: -1,
		Handle:  func(c *localsocket.Client, line []byte) bool { return c.Send(g.answer(line)) == nil },
		Refusal: Reply{Error: "too many ask already; end one of them"},
		TooLong: Reply{Error: fmt.Sprintf("the line is longer than %d bytes; send one short request a line", localsocket.MostLine)},
	})
	if err != nil {
		return fmt.Errorf("open the guard's local socket: %w", err)
	}
	return nil
}

func (g *Guard) answer(line []byte) Reply {
	var r Request
	if err := json.Unmarshal(line, &r); err != nil {
		return Reply{Error: fmt.Sprintf("not one JSON object on a line of at most %d bytes: %v", localsocket.MostLine, err)}
	}
	switch r.Do {
	case "status":
		s := g.status()
		return Reply{OK: true, Status: &s}
	case "mark":
		text := strings.TrimSpace(r.Text)
		if n := utf8.RuneCountInString(text); n == 0 || n > mostMark {
			return Reply{Error: fmt.Sprintf("a mark is one line of 1 to %d characters (got %d)", mostMark, n)}
		}
		// Beside control characters, those that turn the direction of writing
		// or show nothing: a log must read the way it is.
		if strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsPrint(r) }) {
			return Reply{Error: "a mark is one line of printable characters; leave out what can not be seen"}
		}
		g.loop.Host(intake.HostMessage{Host: interlock.HostMark, On: true, Text: "mark: " + text})
		return Reply{OK: true}
	}
	return Reply{Error: fmt.Sprintf("unknown request %q; there are status and mark", r.Do)}
}

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
