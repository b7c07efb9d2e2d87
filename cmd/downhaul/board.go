package main

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"downhaul/hw/virtual"
	"downhaul/rules"
	"downhaul/rules/words"
)

// boardCmd works a virtual board: the socket is all it knows, and a real board
// has none, so a real board cannot be worked from here.
type boardCmd struct {
	Pad    string `placeholder:"FILE" xor:"where" required:"" help:"Pad file of the rehearsal, which names the socket."`
	Socket string `placeholder:"PATH" xor:"where" required:"" help:"Socket of the virtual board."`

	Screen  boardScreen  `cmd:"" default:"1" help:"One screen with every line and a key for each act (the default)."`
	Show    boardShow    `cmd:"" help:"Show inputs, outputs and the kill chain."`
	Press   boardPress   `cmd:"" help:"Press a button and let it go, hold hold-to-run, or push the emergency stop (estop)."`
	Release boardRelease `cmd:"" help:"Let go of what was held, or free the emergency stop."`
	Open    boardOpen    `cmd:"" help:"Open a contact, such as the gate."`
	Close   boardClose   `cmd:"" help:"Close a contact again."`
	Turn    boardTurn    `cmd:"" help:"Turn the anemometer at so many pulses a second."`
	Load    boardLoad    `cmd:"" help:"Put a force on the load cell."`
	Break   boardBreak   `cmd:"" help:"Bring a fault in: a wire, a welded contact and the like."`
	Mend    boardMend    `cmd:"" help:"Take a fault away."`

	force string // the unit of forces: the pad file's, else the newton
}

func (boardCmd) Help() string {
	return "Without another word, one screen: every line with its level and age, what a start waits for, and a key for each act. " +
		"The virtual board is a rehearsal and has no safety function. A real board has no such socket: its " +
		"buttons are pressed by hand. " + faultsKnown()
}

// dial connects to the board's socket.
func (b *boardCmd) dial() (*virtual.Client, error) {
	socket := b.Socket
	b.force = "N"
	if b.Pad != "" {
		p, err := readPad("board", b.Pad)
		if err != nil {
			return nil, err
		}
		if p.Board.Socket == "" {
			return nil, hint(fmt.Errorf("board: %s names no virtual board with a socket", b.Pad),
				`a real board cannot be worked from here; for a rehearsal write kind = "virtual" and a socket under [board]`)
		}
		socket, b.force = p.Board.Socket, rules.DefaultUnit(rules.Force, p.Units)
	}
	c, err := virtual.Dial(socket)
	return c, hint(err, "a real board cannot be worked from here: only a virtual one has a socket; downhaul rehearse starts one, and prints the pad file to name")
}

// do is one act on the board.
func (b *boardCmd) do(act func(*virtual.Client) error) error {
	c, err := b.dial()
	if err != nil {
		return err
	}
	defer c.Close()
	return hint(act(c), `"downhaul board show" lists the lines and the faults that are in`)
}

// named is the name that most acts take.
type named struct {
	Name string `arg:"" help:"Name of the line, as the pad file names it."`
}

type (
	boardPress struct {
		named
		For  time.Duration `default:"700ms" placeholder:"TIME" help:"How long (${default})."`
		Keep bool          `help:"Do not let it go: release does."`
	}
	boardRelease struct{ named }
	boardOpen    struct{ named }
	boardClose   struct{ named }
	boardBreak   struct{ named }
	boardMend    struct{ named }
	boardTurn    struct {
		Hz string `arg:"" name:"hz" help:"Pulses a second, such as 12; 0 stops it."`
	}
	boardLoad struct {
		Force []string `arg:"" help:"Force with its unit, such as 900 N or 200 lbf."`
	}
	boardShow struct {
		JSON bool `help:"Print one JSON object."`
	}
)

// longestPress bounds --for: longer, it is kept.
const longestPress = 10 * time.Minute

// stays reports whether what is pressed stays so by itself: an emergency stop latches,
// and hold-to-run is held for a whole run.
func stays(name string) bool { return name == "hold" || strings.HasPrefix(name, "estop") }

func (a *boardPress) Run(ctx context.Context, b *boardCmd, s *streams) error {
	if a.For <= 0 || a.For > longestPress {
		return hint(fmt.Errorf("press: --for must be more than 0 and at most %v (got %v)", longestPress, a.For), "--keep does not let it go")
	}
	return b.do(func(c *virtual.Client) error {
		if err := c.Press(a.Name); err != nil {
			return err
		}
		if a.Keep || stays(a.Name) {
			fmt.Fprintf(s.out, "%s stays %s; downhaul board release %s lets it go\n", a.Name, pick(a.Name == "hold", "held", "pressed"), a.Name)
			return nil
		}
		select {
		case <-ctx.Done():
		case <-time.After(a.For):
		}
		return c.Release(a.Name)
	})
}

func (a *boardRelease) Run(b *boardCmd) error {
	return b.do(func(c *virtual.Client) error { return c.Release(a.Name) })
}

func (a *boardOpen) Run(b *boardCmd) error {
	return b.do(func(c *virtual.Client) error { return c.OpenContact(a.Name) })
}

func (a *boardClose) Run(b *boardCmd) error {
	return b.do(func(c *virtual.Client) error { return c.CloseContact(a.Name) })
}

func (a *boardBreak) Run(b *boardCmd) error {
	return b.do(func(c *virtual.Client) error { return c.Break(a.Name) })
}

// faultsKnown names the faults, for the help of break and mend.
func faultsKnown() string {
	text := "Faults:"
	for _, f := range virtual.KnownFaults() {
		text += fmt.Sprintf(" %s (%s);", f.Name, f.Says)
	}
	return text + " and the name of any input, whose wire it is."
}

func (boardBreak) Help() string { return faultsKnown() }

func (boardMend) Help() string { return faultsKnown() }

func (a *boardMend) Run(b *boardCmd) error {
	return b.do(func(c *virtual.Client) error { return c.Mend(a.Name) })
}

func (a *boardTurn) Run(b *boardCmd) error {
	text := a.Hz
	if _, err := strconv.ParseFloat(text, 64); err == nil {
		text += " Hz"
	}
	q, err := rules.ParseQuantity(text, rules.Frequency)
	if err != nil {
		return hint(fmt.Errorf("turn: %w", err), "give pulses a second, such as: downhaul board turn 12")
	}
	return b.do(func(c *virtual.Client) error { return c.Turn(q.SI) })
}

func (a *boardLoad) Run(b *boardCmd) error {
	q, err := rules.ParseQuantity(strings.Join(a.Force, " "), rules.Force)
	if err != nil {
		return hint(fmt.Errorf("load: %w", err), "give a force with its unit, such as: downhaul board load 900 N")
	}
	return b.do(func(c *virtual.Client) error { return c.Load(q.SI) })
}

const boardSchema = 1

// boardOutput is the virtual board, as one JSON object.
type boardOutput struct {
	Schema int           `json:"schema"`
	Board  virtual.State `json:"board"`

	force string
}

func (a *boardShow) Run(b *boardCmd, s *streams) error {
	c, err := b.dial()
	if err != nil {
		return err
	}
	defer c.Close()
	state, err := c.Show()
	if err != nil {
		return err
	}
	return s.conclude(&boardOutput{boardSchema, state, b.force}, a.JSON, nil, false)
}

func (o *boardOutput) print(w io.Writer) {
	s := &o.Board
	wrap(w, "", "", s.Note)
	fmt.Fprintln(w, "\nKill chain")
	row := func(name, says string) { wrap(w, fmt.Sprintf("  %-12s", name), strings.Repeat(" ", 15), says) }
	row("contactor", s.Contactor+map[bool]string{true: ": power reaches the rotors", false: ": no power at the rotors"}[s.Power])
	row("coil", map[bool]string{true: "energised", false: "no current"}[s.Coil])
	row("watchdog", map[bool]string{true: "holds", false: "has dropped"}[s.Watchdog])
	beats := words.Count(s.Heartbeat.Edges, "edge")
	if s.Heartbeat.LeastGap != nil && s.Heartbeat.MostGap != nil {
		beats += fmt.Sprintf(", lately %.1f to %.1f ms apart", *s.Heartbeat.LeastGap*1e3, *s.Heartbeat.MostGap*1e3)
	}
	row("heartbeat", beats)
	fmt.Fprintln(w, "\nOutputs")
	for _, o := range s.Outputs {
		row(o.Name, o.Says)
	}
	fmt.Fprintln(w, "\nInputs")
	for _, i := range s.Inputs {
		says := i.Says
		if !i.Wired {
			says += "; not wired to the guard"
		}
		if i.WireBroken {
			says += "; ITS WIRE IS BROKEN"
		}
		row(i.Name, says)
	}
	fmt.Fprintln(w, "\nSensors")
	row("anemometer", rules.Reading(s.Wind, "Hz"))
	if s.Load == nil {
		row("load cell", "none")
	} else {
		row("load cell", rules.Reading(*s.Load, o.force))
	}
	if len(s.Faults) > 0 {
		fmt.Fprintln(w, "\nFaults that are in")
		for _, f := range s.Faults {
			row(f.Name, f.Says)
		}
	}
}
