package pad

import (
	"fmt"
	"slices"
	"strings"

	"downhaul/hw"
	"downhaul/rules"
	"downhaul/rules/document"
)

// BoardKind is the kind of board.
type BoardKind string

// The kinds of board.
const (
	NoBoard   BoardKind = ""          // the pad only watches, without pins
	Virtual   BoardKind = "virtual"   // in memory, for rehearsal
	GPIO      BoardKind = "gpio"      // lines of this computer
	Rehearsal BoardKind = "rehearsal" // these lines, with a modelled craft, rope and wind
)

// Models reports whether what hangs on such a board is a model.
func (k BoardKind) Models() bool { return marks[k] != "" }

// Board is the pad's pins.
type Board struct {
	Kind BoardKind
	// Socket is the path of the virtual board's socket; empty for none.
	Socket string
	// Lines is every line in the order of LineNames.
	Lines []Line
	// implied reports whether a virtual board without [board.lines] has every line.
	implied bool
}

// marks are those of boards on which something is a model.
var marks = map[BoardKind]string{Virtual: "virtual board, a rehearsal", Rehearsal: "real board, modelled craft, a rehearsal"}

// Mark returns what everything written for a rehearsal's pad must say, empty for any
// other: a rehearsal must not pass for a guard of a craft.
func (p *Pad) Mark() string { return marks[p.Board.Kind] }

// Line is one line of the board.
type Line struct {
	Name   string
	Fitted bool
	// Pin is the chip and line, such as "gpiochip0:17" or, by the kernel's name
	// of the line, "gpiochip0:GPIO17"; empty on a virtual board.
	Pin string
	// NormallyClosed reports whether the contact is closed at rest: not pressed, gate
	// closed, contactor open. For inputs.
	NormallyClosed bool
	// ClosedLow reports whether a closed contact pulls the line low (a pull-up at the
	// input); else a closed contact is high. For inputs.
	ClosedLow bool
}

// invert reports whether the electrical high level means Off, in the meanings of
// interlock.Line.
func (l Line) invert() bool {
	switch l.Name {
	case "estop_a", "estop_b", "gate", "wind_loop":
		// On is "contact closed".
		return l.ClosedLow
	case "readback":
		// On is "contactor closed", which the mirror contact shows by opening.
		return !l.ClosedLow
	}
	// On is "pressed" or "held".
	return l.ClosedLow != l.NormallyClosed
}

// lineRule states what a line may be.
type lineRule struct {
	name   string
	output bool
	// closed is the rest of the contact: must be closed, must be open, or
	// either (0).
	closed rest
	why    string
}

type rest uint8

const (
	either rest = iota
	mustClose
	mustOpen
)

var lineRules = []lineRule{
	{name: "relay", output: true}, {name: "heartbeat", output: true}, {name: "buzzer", output: true}, {name: "lamp", output: true},
	{name: "estop_a", closed: mustClose, why: "a cut wire must read as pressed"},
	{name: "estop_b", closed: mustClose, why: "a cut wire must read as pressed"},
	{name: "gate", closed: mustClose, why: "a cut wire must read as open"},
	{name: "hold", closed: mustOpen, why: "a cut wire must read as let go"},
	{name: "reset"},
	{name: "start", closed: mustOpen, why: "a cut wire must not read as pressed"},
	{name: "end"},
	{name: "readback", closed: mustClose, why: "a mirror contact is closed while the contactor is open"},
	{name: "anemometer"},
	{name: "wind_loop", closed: mustClose, why: "a cut wire must read as cut"},
}

// LineNames is every line's name, outputs first.
func LineNames() []string {
	names := make([]string, len(lineRules))
	for i, l := range lineRules {
		names[i] = l.name
	}
	return names
}

// Line finds a line by name; the zero line, not fitted, when there is none.
func (b *Board) Line(name string) Line {
	for _, l := range b.Lines {
		if l.Name == name {
			return l
		}
	}
	return Line{Name: name}
}

func (b *Board) unfit(name string) {
	for i := range b.Lines {
		if b.Lines[i].Name == name {
			b.Lines[i].Fitted = false
		}
	}
}

func (r *reading) board() {
	t := r.root.Table("board")
	b := &r.Board
	kind, _ := t.Choice("kind", "virtual", "gpio", "rehearsal")
	if t.Present() || r.guards() {
		t.Need("kind", "missing", `write kind = "gpio" or "virtual" under [board]`)
	}
	b.Kind = BoardKind(kind)
	if s, ok := socketAt(t, "socket"); ok {
		b.Socket = s
		t.FaultIf(b.Kind == GPIO, "socket", "a real board has none: only its pins work it", "take it out")
	}
	lines := t.Table("lines")
	b.implied = b.Kind == Virtual && !lines.Present()
	used := make(map[string]string)
	for _, rule := range lineRules {
		l := Line{Name: rule.name, NormallyClosed: rule.closed == mustClose}
		switch {
		case b.implied:
			_, absent := r.lacks(rule.name)
			l.Fitted = !absent && rule.name != "wind_loop"
		case lines.Has(rule.name):
			l = readLine(lines, rule, b.Kind)
			if other, taken := used[l.Pin]; taken && l.Pin != "" {
				lines.Fault(rule.name, "the pin is taken by "+other, document.Quote(l.Pin), "give each line a pin of its own")
			}
			used[l.Pin] = rule.name
		}
		b.Lines = append(b.Lines, l)
	}
	r.fittings(lines)
}

// readLine reads "gpiochip0:17, normally closed, closed is low"; on a virtual
// board the pin is "virtual".
func readLine(t *document.Table, rule lineRule, board BoardKind) Line {
	l := Line{Name: rule.name, Fitted: true, NormallyClosed: rule.closed == mustClose}
	text, ok := t.Note(rule.name)
	if !ok {
		return l
	}
	parts := strings.Split(text, ",")
	pin := strings.TrimSpace(parts[0])
	_, noPin := hw.ParsePin(pin)
	switch {
	case board == Virtual && pin != "virtual":
		t.Fault(rule.name, "a virtual board has no pins", document.Quote(text), `write "virtual", with words behind it if need be`)
	case board == GPIO && noPin != nil:
		t.Fault(rule.name, "is no pin", document.Quote(text), `write chip and line: "gpiochip0:17"`)
	case board == GPIO:
		l.Pin = pin
	}
	for _, part := range parts[1:] {
		switch word := strings.TrimSpace(part); {
		case rule.output:
			t.Fault(rule.name, "an output is on when its pin is high, and says nothing more", document.Quote(word), outputMend(rule.name))
		case word == "normally closed" && rule.closed == mustOpen, word == "normally open" && rule.closed == mustClose:
			t.Fault(rule.name, rule.why, document.Quote(word), "wire the other contact")
		case word == "normally closed":
			l.NormallyClosed = true
		case word == "normally open":
			l.NormallyClosed = false
		case word == "closed is low":
			l.ClosedLow = true
		case word == "closed is high":
			l.ClosedLow = false
		default:
			t.Fault(rule.name, "unknown word", document.Quote(word), `known: "normally closed", "normally open", "closed is low", "closed is high"`)
		}
	}
	return l
}

// outputMend returns the mend that says why no output can be told to be on when low: until the guard
// has its lines, and after it ended, they are what the chip makes of them.
func outputMend(name string) string {
	if name == "relay" {
		return "write the pin alone, and fit a relay board that is on when its input is high: one that is on when low may pull in while the computer starts"
	}
	return "write the pin alone"
}

// fittings holds the lines against the duty and against [absent].
func (r *reading) fittings(lines *document.Table) {
	for _, rule := range lineRules {
		fitted := r.Board.Line(rule.name).Fitted
		a, absent := r.lacks(rule.name)
		switch {
		case fitted && absent:
			lines.Fault(rule.name, "stands under [absent] too", document.Quote(a.Reason), "keep one of the two")
		case fitted || !r.guards():
		case needed(rule.name):
			lines.Missing(rule.name, "missing: duty guard needs it", `name its pin under [board.lines], or write duty = "watch"`)
		case !absent && rule.name != "anemometer" && rule.name != "lamp" && rule.name != "wind_loop":
			lines.Missing(rule.name, "missing, and not said to be absent", fmt.Sprintf("name its pin under [board.lines], or write %s = \"why this pad has none\" under [absent]", rule.name))
		}
	}
}

// needed is the least that may close a relay, besides the link.
func needed(line string) bool {
	switch line {
	case "relay", "heartbeat", "reset", "start":
		return true
	}
	return false
}

// absent reads what the pad lacks: lines by name, and channels in quotes.
func (r *reading) absent() {
	t := r.root.Table("absent")
	for _, key := range t.Keys() {
		c, channel := rules.Lookup(key)
		switch {
		case !channel && !slices.Contains(LineNames(), key):
			t.Has(key)
			t.Fault(key, "neither a line of the board nor a channel", "", document.Nearest(key, LineNames()))
			continue
		case channel && c.Derived:
			t.Has(key)
			t.Fault(key, "is worked out here from other channels", "", "name the channel that it rests on")
			continue
		}
		if reason, ok := t.Note(key); ok {
			r.Absent = append(r.Absent, Absence{Name: key, Reason: reason, Line: t.LineOf(key)})
		}
		t.FaultIf(needed(key) && r.guards(), key, "duty guard needs it", `fit it, or write duty = "watch"`)
	}
}

// lacks finds a line or a channel under [absent].
func (p *Pad) lacks(name string) (Absence, bool) {
	for _, a := range p.Absent {
		if a.Name == name {
			return a, true
		}
	}
	return Absence{}, false
}
