package guard

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"downhaul/hw/localsocket"
	"downhaul/interlock"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/records/session"
)

// mostMark bounds the text of a mark.
const mostMark = 200

// serve opens the local socket. Nothing on it can reset or start; a mark only
// stamps the record, and a declaration counts before a start only, where it is
// one more thing that must be in order. Who may connect is for the socket's mode
// to say: root, the guard's own user and the group that the pad file names.
func (g *Guard) serve() (err error) {
	if g.pad.Socket == "" {
		return nil
	}
	group, err := groupID(g.pad.SocketGroup)
	if err != nil {
		return err
	}
	g.socket, err = localsocket.Serve(localsocket.Config{
		Path: g.pad.Socket, Mode: 0o660, Group: group,
		Handle:  func(c *localsocket.Client, line []byte) bool { return c.Send(g.answer(line, c.Peer())) == nil },
		Refusal: answers.Reply{Error: "too many ask already; end one of them"},
		TooLong: answers.Reply{Error: fmt.Sprintf("the line is longer than %d bytes; send one short request a line", localsocket.MostLine)},
	})
	if err != nil {
		return fmt.Errorf("open the guard's local socket: %w", err)
	}
	return nil
}

// answer does one request of the local user at the other end.
func (g *Guard) answer(line []byte, peer localsocket.Peer) answers.Reply {
	var r answers.Request
	if err := json.Unmarshal(line, &r); err != nil {
		return answers.Reply{Error: fmt.Sprintf("not one JSON object on a line of at most %d bytes: %v", localsocket.MostLine, err)}
	}
	switch r.Do {
	case "status":
		return answers.Reply{OK: true, Seen: g.Seen()}
	case "files":
		return answers.Reply{OK: true, Files: g.Files()}
	case "mark":
		if !g.declared.rate.take(time.Now()) {
			return answers.Reply{Error: tooFast}
		}
		if err := g.Mark(strings.TrimSpace(r.Text), nameOf(peer)); err != nil {
			return answers.Reply{Error: err.Error()}
		}
		return answers.Reply{OK: true}
	case "declare":
		if r.Declare == nil { // what can be declared
			if err := g.beforeStart(); err != nil {
				return answers.Reply{Error: err.Error()}
			}
			d := g.showDeclared()
			d.Standing = g.declared.words()
			return answers.Reply{OK: true, Declared: &d}
		}
		if !g.declared.rate.take(time.Now()) {
			return answers.Reply{Error: tooFast}
		}
		r.Declare.By = nameOf(peer)
		says, err := g.Declare(*r.Declare)
		if err != nil {
			return answers.Reply{Error: err.Error()}
		}
		g.wasTold("declared "+says, r.Declare.By)
		d := g.showDeclared()
		d.Says = says
		return answers.Reply{OK: true, Declared: &d}
	case "ledger":
		if r.Ledger == nil {
			return answers.Reply{Error: "nothing is asked of the ledger; there are list, note, close and watch"}
		}
		if r.Ledger.Act != "list" && !g.declared.rate.take(time.Now()) {
			return answers.Reply{Error: tooFast}
		}
		reply, err := g.askLedger(r.Ledger, nameOf(peer))
		if err != nil {
			return answers.Reply{Error: err.Error()}
		}
		return answers.Reply{OK: true, Ledger: reply}
	}
	return answers.Reply{Error: fmt.Sprintf("unknown request %q; there are status, files, mark, declare and ledger", r.Do)}
}

// Mark stamps the record.
func (g *Guard) Mark(text, by string) error {
	if err := session.Spoken("a mark", text, mostMark); err != nil {
		return err
	}
	g.wasTold("mark: "+text, by)
	g.loop.Host(intake.HostMessage{Host: interlock.HostMark, On: true, Text: "mark: " + text + " (by " + by + ")"})
	return g.tooLate()
}
