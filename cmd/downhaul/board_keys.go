package main

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"downhaul/hw/virtual"
	"downhaul/rules"
)

// hands are what works a virtual board.
type hands interface {
	Press(name string) error
	Release(name string) error
	OpenContact(name string) error
	CloseContact(name string) error
	Break(name string) error
	Mend(name string) error
	Turn(hz float64) error
	Load(newtons float64) error
	Show() (virtual.State, error)
}

// A terminal tells that a key went down and comes again while it is held, and never
// that it was let go. A real press lasts as long as a first repeat takes to come (up to
// 0.66 s where nobody set it); afterwards a repeat that stays away is the release.
const (
	firstPress  = 700 * time.Millisecond
	repeatStays = 250 * time.Millisecond
)

// lineKeys are the keys of the lines that hands work. A small letter holds a button as
// long as the key is held, a capital until it comes again.
var lineKeys = []struct {
	key  byte
	line string
}{{'r', "reset"}, {'s', "start"}, {'e', "end"}, {'h', "hold"}, {'g', "gate"}, {'x', "estop"}, {'a', "estop_a"}, {'b', "estop_b"}}

// faultKeys are in the order of the faults.
const faultKeys = "1234567890niojklvz"

// windStep is the step of the wind, Hz; loadSteps are those of the load.
const windStep = 1.0

var loadSteps = map[string]string{"N": "50 N", "lbf": "10 lbf"}

// keys turns key presses into acts on a board. It knows no clock of its own.
type keys struct {
	board hands
	force string // the unit of forces
	state virtual.State
	// held are the buttons that a key holds, with when each is let go.
	held  map[string]time.Duration
	down  map[string]bool // kept down by a capital
	wire  bool            // the next key names the line whose wire breaks or is mended
	note  string          // what the last key came to
	leave bool
}

func newKeys(board hands, force string) *keys {
	return &keys{board: board, force: force, held: map[string]time.Duration{}, down: map[string]bool{}}
}

// press takes one key.
func (k *keys) press(key byte, now time.Duration) {
	if key == 'q' || key == 3 { // control-C comes as a key in a raw terminal
		k.leave = true
		return
	}
	if k.wire {
		k.wire = false
		k.breaks(lineAt(key))
		return
	}
	low := key | 0x20
	line := lineAt(low)
	switch {
	case key == 'w':
		k.wire, k.note = true, "the wire of which line? Press its key"
	case key == '+' || key == '=':
		k.act("wind", k.board.Turn(k.state.Wind+windStep))
	case key == '-':
		k.act("wind", k.board.Turn(max(0, k.state.Wind-windStep)))
	case (key == ']' || key == '[') && k.state.Load != nil:
		step, err := rules.ParseQuantity(loadSteps[k.force], rules.Force)
		if key == '[' {
			step.SI = -step.SI
		}
		k.act("load", errors.Join(err, k.board.Load(max(0, *k.state.Load+step.SI))))
	case line == "gate":
		k.toggles(line, k.board.OpenContact, k.board.CloseContact)
	case line == "estop" || line == "estop_a" || line == "estop_b":
		k.toggles(line, k.push, k.free)
	case line != "" && key == low:
		k.holds(line, now)
	case line != "":
		k.keeps(line)
	default:
		for i, f := range virtual.KnownFaults() {
			if i < len(faultKeys) && faultKeys[i] == key {
				k.breaks(f.Name)
				return
			}
		}
		k.note = "no act has that key"
	}
}

func lineAt(key byte) string {
	for _, l := range lineKeys {
		if l.key == key {
			return l.line
		}
	}
	return ""
}

func (k *keys) act(what string, err error) {
	k.note = what
	if err != nil {
		k.note = err.Error()
	}
}

// push and free work the emergency stop, whole or one contact of it.
func (k *keys) push(line string) error {
	if line == "estop" {
		return k.board.Press(line)
	}
	return k.board.OpenContact(line)
}

func (k *keys) free(line string) error {
	if line == "estop" {
		return k.board.Release(line)
	}
	return k.board.CloseContact(line)
}

// toggles opens what is closed and closes what is open.
func (k *keys) toggles(line string, open, shut func(string) error) {
	closed := true
	for _, in := range k.state.Inputs {
		if in.Name == line || line == "estop" && (in.Name == "estop_a" || in.Name == "estop_b") {
			closed = closed && strings.HasPrefix(in.Says, "closed")
		}
	}
	if closed {
		k.act(line+" opened", open(line))
	} else {
		k.act(line+" closed", shut(line))
	}
}

// holds presses a button for as long as its key comes again.
func (k *keys) holds(line string, now time.Duration) {
	until := now + firstPress
	if _, again := k.held[line]; again {
		until = max(k.held[line], now+repeatStays)
	} else if k.act(line+" pressed", k.board.Press(line)); k.down[line] {
		return // a key that keeps it down has it
	}
	k.held[line] = until
}

// keeps presses a button until the same key comes again.
func (k *keys) keeps(line string) {
	delete(k.held, line)
	if k.down[line] = !k.down[line]; k.down[line] {
		k.act(line+" kept down", k.board.Press(line))
	} else {
		k.act(line+" let go", k.board.Release(line))
	}
}

// tick lets go of the buttons whose keys are let go.
func (k *keys) tick(now time.Duration) {
	for line, until := range k.held {
		if now >= until {
			delete(k.held, line)
			k.act(line+" let go", k.board.Release(line))
		}
	}
}

// breaks brings a fault in, or takes it out.
func (k *keys) breaks(name string) {
	if name == "" {
		k.note = "no line has that key"
		return
	}
	for _, f := range k.state.Faults {
		if f.Name == name {
			k.act("mended: "+name, k.board.Mend(name))
			return
		}
	}
	k.act("broken: "+name, k.board.Break(name))
}

// end lets go of what a key still holds. What was kept down stays.
func (k *keys) end() {
	for line := range k.held {
		_ = k.board.Release(line)
	}
}

// keyOf is the key that works a line, " " where none does.
func keyOf(line string) string {
	for _, l := range lineKeys {
		if l.line == line {
			return string(l.key)
		}
	}
	return " "
}

// since is an age for the screen.
func since(seconds float64) string {
	switch {
	case seconds < 0:
		return ""
	case seconds < 100:
		return fmt.Sprintf("%.1f s", seconds)
	case seconds < 100*60:
		return fmt.Sprintf("%.0f min", seconds/60)
	}
	return fmt.Sprintf("%.0f h", seconds/3600)
}
