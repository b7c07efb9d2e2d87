package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/answers/ask"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/model/rehearsal"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/plain"
)

// guardAt states which guard is meant.
type guardAt struct {
	Pad    string `placeholder:"FILE" xor:"where" help:"Pad file of the running guard, which names its socket."`
	Socket string `placeholder:"PATH" xor:"where" help:"Socket of the guard (without either: /run/downhaul/guard.sock)."`
}

// socket is where that guard answers.
func (g *guardAt) socket() (string, error) {
	switch {
	case g.Pad != "":
		text, err := plain.Read(g.Pad, plain.Setup)
		if err != nil {
			return "", err
		}
		if err := otherKind(g.Pad, text, isPad); err != nil {
			return "", err
		}
		p, faults := pad.Read(g.Pad, text)
		if err := faults.Err(); err != nil {
			return "", hint(err, "mend the pad file first")
		}
		return p.Socket, nil
	case g.Socket == "":
		return "/run/downhaul/guard.sock", nil
	}
	return g.Socket, nil
}

// ask puts one request to that guard.
func (g *guardAt) ask(r answers.Request) (answers.Reply, error) {
	socket, err := g.socket()
	if err != nil {
		return answers.Reply{}, err
	}
	reply, err := ask.Guard(socket, r)
	if reply.Error != "" {
		return reply, err // the right guard, and it said no
	}
	return reply, hint(err, elsewhere)
}

const elsewhere = "--pad or --socket names another guard"

type statusCmd struct {
	guardAt
	Watch bool          `xor:"watch" help:"Show it again and again."`
	Until string        `enum:"blocked,ready,closing,live,lowering,tripped,fault," default:"" placeholder:"STATE" help:"Wait until the guard is in that state (such as ready), saying what it waits for; exit code 1 after --for."`
	For   time.Duration `default:"2m" placeholder:"TIME" help:"How long --until waits (${default})."`
	Every time.Duration `hidden:"" default:"500ms"`
	JSON  bool          `xor:"form" help:"Print one JSON object (with --watch, one a line)."`

	Metrics bool `xor:"form,watch" help:"Print figures in the OpenMetrics text format, for a program that watches; the page serves the same at /metrics."`
}

func (statusCmd) Help() string {
	return "Shows what the running guard sees: its state, why it is not ready, each rule against its limit, and what this set-up cannot see. It changes nothing."
}

// now asks the guard for its status.
func (c *statusCmd) now() (*told.Status, error) {
	socket, err := c.socket()
	if err != nil {
		return nil, fmt.Errorf("status: %w", err)
	}
	st, err := ask.Once(socket)
	if err != nil {
		return nil, fmt.Errorf("status: %w", hint(err, elsewhere))
	}
	return st, nil
}

// until waits for a state, and says each time that something else holds it back.
func (c *statusCmd) until(ctx context.Context, s *streams) error {
	said := ""
	for began := time.Now(); ; {
		st, err := c.now()
		if err != nil {
			return err
		}
		old := st.AgeS > told.OldAfter.Seconds()
		if st.State == c.Until && !old {
			wrap(s.out, "", "  ", st.Sentence)
			return nil
		}
		now := rehearsal.WaitsFor(st)
		if old {
			now = "for the guard's loop, which stands still: what it told is old"
		}
		if !rehearsal.SameWait(now, said) {
			said = now
			wrap(s.out, st.State+", waits ", "  ", now)
		}
		if time.Since(began) > c.For {
			return errFound
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(100 * time.Millisecond):
		}
	}
}

func (c *statusCmd) Run(ctx context.Context, s *streams) error {
	if c.Until != "" {
		return c.until(ctx, s)
	}
	for shown := false; ; shown = true {
		st, err := c.now()
		if err != nil {
			if shown && !c.JSON {
				// The last state must not stay on the screen as if it held.
				fmt.Fprint(s.out, anew(s.out))
				wrap(s.out, "", "  ", noData)
			}
			return err
		}
		if err := c.show(s, st); err != nil {
			return err
		}
		if !c.Watch || gone(s.out) {
			return nil
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(c.Every):
		}
	}
}

// show prints a status in the form that was asked for.
func (c *statusCmd) show(s *streams, st *told.Status) error {
	switch {
	case c.Metrics:
		return st.Metrics(s.out)
	case c.JSON && c.Watch:
		line, err := json.Marshal(st)
		if err != nil {
			return err
		}
		fmt.Fprintf(s.out, "%s\n", line)
		return nil
	case c.JSON:
		return printJSON(s.out, st)
	}
	var text bytes.Buffer
	rows := 0
	if c.Watch {
		columns, rows = widthOf(s.out), rowsOf(s.out)
	}
	printStatus(&text, st, rows)
	out := text.String()
	if c.Watch {
		out = anew(s.out) + styled(fitted(out, s.out), s.out)
	} else {
		out = styled(out, s.out)
	}
	_, err := io.WriteString(s.out, out)
	return err
}

func pick(yes bool, a, b string) string {
	if yes {
		return a
	}
	return b
}

// short is a time in whole seconds or minutes.
func short(s float64) string {
	if s < 120 {
		return fmt.Sprintf("%.0f s", s)
	}
	return fmt.Sprintf("%.0f min", s/60)
}
