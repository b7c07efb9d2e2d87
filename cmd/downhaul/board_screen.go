package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"golang.org/x/term"

	"downhaul/hw/virtual"
	"downhaul/interlock/day/answers/ask"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/model/rehearsal"
	"downhaul/rules"
	"downhaul/rules/words"
)

type boardScreen struct{}

func (boardScreen) Help() string {
	return "A small letter holds a button for as long as the key is held (a tap is a press of 0.7 s), a capital keeps it down until it comes again. Left by q. " +
		"Where input or output is no terminal, or one that cannot draw over what it showed (TERM=dumb), the board is shown once: press, release and the others work it."
}

// redrawn is how often the screen is drawn anew.
const redrawn = 200 * time.Millisecond

func (a *boardScreen) Run(ctx context.Context, b *boardCmd, s *streams) (err error) {
	in, out := fileOf(s.in), fileOf(s.out)
	if in == nil || out == nil || !onTerminal(in) || !redraws(out) {
		return (&boardShow{}).Run(b, s)
	}
	c, err := b.dial()
	if err != nil {
		return err
	}
	defer c.Close()
	before, err := term.MakeRaw(int(in.Fd()))
	if err != nil {
		return fmt.Errorf("board: %w", err)
	}
	defer func() { err = errors.Join(err, term.Restore(int(in.Fd()), before)) }()
	typed := make(chan []byte)
	go read(in, typed)
	socket := b.guardSocket()
	k := newKeys(c, b.force)
	defer k.end()
	began := time.Now()
	tick := time.NewTicker(redrawn / 4)
	defer tick.Stop()
	for turn := 0; !k.leave; turn++ {
		if k.state, err = c.Show(); err != nil {
			fmt.Fprint(s.out, emptyScreen)
			return hint(fmt.Errorf("board: %w", err), "the guard that has this board ended")
		}
		k.tick(time.Since(began))
		if turn%4 == 0 {
			width, height, err := term.GetSize(int(out.Fd()))
			if err != nil {
				width, height = columns, 24
			}
			text := cutTo(boardText(k, guardSays(socket), width), height, width)
			// A raw terminal takes a line feed for no more than that.
			if _, err := io.WriteString(s.out, emptyScreen+strings.ReplaceAll(text, "\n", "\r\n")); err != nil {
				return err
			}
		}
		select {
		case <-ctx.Done():
			return nil
		case keys, ok := <-typed:
			if !ok {
				return nil
			}
			for _, key := range keys {
				k.press(key, time.Since(began))
			}
			turn = -1 // drawn at once
		case <-tick.C:
		}
	}
	fmt.Fprint(s.out, emptyScreen)
	return nil
}

// read hands on what is typed. A read cannot be broken off: the goroutine ends with the
// terminal or the program.
func read(in *os.File, to chan<- []byte) {
	defer close(to)
	for {
		some := make([]byte, 64)
		n, err := in.Read(some)
		if err != nil {
			return
		}
		// Arrows and the like begin with an escape: they are no keys of ours.
		if i := slices.Index(some[:n], 27); i >= 0 {
			n = i
		}
		to <- some[:n]
	}
}

// guardSocket is the socket of the pad file's guard, empty where it is not known.
func (b *boardCmd) guardSocket() string {
	if b.Pad == "" {
		return ""
	}
	socket, err := (&guardAt{Pad: b.Pad}).socket()
	if err != nil {
		return ""
	}
	return socket
}

// guardSays is what the guard says of itself, nil where it is not asked or does not answer.
func guardSays(socket string) *told.Status {
	if socket == "" {
		return nil
	}
	st, err := ask.Once(socket)
	if err != nil {
		return nil
	}
	return st
}

// boardText is the whole screen.
func boardText(k *keys, st *told.Status, width int) string {
	var w bytes.Buffer
	s := &k.state
	line := func(format string, args ...any) {
		text := []rune(fmt.Sprintf(format, args...))
		fmt.Fprintln(&w, strings.TrimRight(string(text[:min(len(text), width)]), " "))
	}
	line("VIRTUAL BOARD: A REHEARSAL, NO SAFETY FUNCTION. q leaves. %s", k.note)
	guardLine(line, st)
	for _, in := range s.Inputs {
		says := in.Says
		if !in.Wired {
			says += "; not wired"
		}
		if in.WireBroken {
			says = "WIRE BROKEN (" + says + ")"
		}
		key := keyOf(in.Name)
		line("%s %-11s %-5s %-42.42s %9s", key, in.Name, pick(in.Level == 1, "high", "low"), says, since(s.At-in.Since))
	}
	for _, o := range s.Outputs {
		if o.Name == "lamp" {
			continue // beside the buzzer
		}
		age := -1.0
		if o.Changed != nil && o.Name != "heartbeat" {
			age = s.At - *o.Changed
		}
		says := o.Says
		if o.Name == "heartbeat" {
			says = words.Count(int(s.Heartbeat.Edges), "edge")
			if s.Heartbeat.LeastGap != nil && s.Heartbeat.MostGap != nil {
				says += fmt.Sprintf(", lately %.0f to %.0f ms apart", *s.Heartbeat.LeastGap*1e3, *s.Heartbeat.MostGap*1e3)
			}
		}
		if o.Name == "buzzer" {
			says += "; lamp " + outputSays(s, "lamp")
		}
		line("  %-11s %-5s %-42.42s %9s", o.Name, pick(o.On, "on", "off"), says, since(age))
	}
	line("  %-11s %-5s %s; coil %s; watchdog %s", "contactor", s.Contactor, pick(s.Power, "POWER AT THE ROTORS", "no power at the rotors"), pick(s.Coil, "energised", "dead"), pick(s.Watchdog, "holds", "dropped"))
	load := "no load cell"
	if s.Load != nil {
		load = "[ ] load " + rules.Format(*s.Load, k.force)
	}
	line("- + wind %.0f Hz   %s", s.Wind, load)
	for _, row := range boardFaultKeys(s, width) {
		line("%s", row)
	}
	line("x emergency stop; a capital letter keeps a button down; w, then a line: its wire")
	return w.String()
}

// outputSays is what an output does, in a word.
func outputSays(s *virtual.State, name string) string {
	for _, o := range s.Outputs {
		if o.Name == name {
			return o.Says
		}
	}
	return "unknown"
}

// guardLine reports the guard's state, and what a start or reset waits for.
func guardLine(line func(string, ...any), st *told.Status) {
	if st == nil {
		line("Guard: not asked (give --pad), or it does not answer.")
		return
	}
	line("Guard: %s", st.Sentence)
	if st.State == "live" || st.State == "closing" || st.State == "lowering" {
		return
	}
	var w bytes.Buffer
	wrap(&w, "Waits ", "  ", rehearsal.WaitsFor(st))
	rows := strings.Split(strings.TrimRight(w.String(), "\n"), "\n")
	for _, row := range rows[:min(len(rows), 2)] {
		line("%s", row)
	}
}

// boardFaultKeys names every fault with its key, those that are in in capitals.
func boardFaultKeys(s *virtual.State, width int) (rows []string) {
	row := "Break:"
	for i, f := range virtual.KnownFaults() {
		name := f.Name
		if slices.ContainsFunc(s.Faults, func(x virtual.FaultRow) bool { return x.Name == f.Name }) {
			name = strings.ToUpper(name) + "!"
		}
		item := fmt.Sprintf(" %c %s", faultKeys[i], name)
		if len(row)+len(item) > min(width, columns) {
			rows, row = append(rows, row), "      "
		}
		row += item
	}
	return append(rows, row)
}
