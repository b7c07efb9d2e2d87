package virtual

import (
	"fmt"
	"strings"
	"time"

	"downhaul/hw"
)

// The lines that the virtual board knows by name. Other names are plain
// contacts, open until closed.
const (
	lineStopA      = "estop_a"
	lineStopB      = "estop_b"
	lineGate       = "gate"
	lineReadback   = "readback"
	lineAnemometer = "anemometer"
	lineWindLoop   = "wind_loop"
	bothStops      = "estop"
)

// contactKind states what the crew can do with a contact.
type contactKind uint8

const (
	plainContact  contactKind = iota // open, close, press, release
	stopContact                      // open, close; estop works both
	gateContact                      // open, close
	button                           // press, release
	mirrorContact                    // follows the contactor
	rotorContact                     // follows the anemometer
	loopContact                      // closed while the anemometer's wire is whole
)

var contactKinds = map[string]contactKind{
	lineStopA: stopContact, lineStopB: stopContact, lineGate: gateContact,
	"hold": button, "reset": button, "start": button, "end": button,
	lineReadback: mirrorContact, lineAnemometer: rotorContact, lineWindLoop: loopContact,
}

// contact is one contact of the pad with its wire to an input.
type contact struct {
	name   string
	kind   contactKind
	closed bool
	opens  bool // a button whose contact opens when pressed
	low    bool // a closed contact pulls the line low
	broken bool // the wire to the input is broken
	// What the line was when it was last looked at, and since when; known after the first look.
	was, known bool
	since      time.Duration
}

// high is the electrical level of the line, given whether its circuit is
// closed when the wire is whole.
func (c *contact) high(closed bool) bool { return (closed && !c.broken) != c.low }

// says is the contact in plain words.
func (c *contact) says(closed bool) string {
	word := func(yes bool, a, b string) string {
		if yes {
			return a
		}
		return b
	}
	switch c.kind {
	case stopContact:
		return word(closed, "closed: not pressed", "open: pressed")
	case gateContact:
		return word(closed, "closed", "open")
	case button:
		if c.name == "hold" {
			return word(closed != c.opens, "held", "not held")
		}
		return word(closed != c.opens, "pressed", "not pressed")
	case mirrorContact:
		return word(closed, "mirror closed: contactor open", "mirror open: contactor closed")
	}
	if c.kind == loopContact {
		return word(closed, "closed: the anemometer's wire is whole", "open: the anemometer's wire is cut")
	}
	return word(closed, "closed", "open")
}

// newContacts makes the contacts of the inputs, in order, followed by the
// emergency stop's where they are not wired to an input: they are in the coil's
// supply all the same.
func newContacts(cfg Config) ([]contact, error) {
	if len(cfg.Inputs) > hw.MostInputs {
		return nil, fmt.Errorf("inputs: at most %d lines (got %d)", hw.MostInputs, len(cfg.Inputs))
	}
	var out []contact
	find := func(name string) *contact {
		for i := range out {
			if out[i].name == name {
				return &out[i]
			}
		}
		return nil
	}
	for i, name := range cfg.Inputs {
		if !goodName(name) {
			return nil, fmt.Errorf("inputs[%d]: a name is 1 to 32 small letters, digits and underscores, and no fault's or stop's own name (got %q)", i, name)
		}
		if find(name) != nil {
			return nil, fmt.Errorf("inputs[%d]: %q stands twice; each line has a name of its own", i, name)
		}
		kind := contactKinds[name]
		out = append(out, contact{name: name, kind: kind, closed: kind == stopContact || kind == gateContact})
	}
	for _, set := range []struct {
		key   string
		names []string
		set   func(*contact) error
	}{
		{"closed low", cfg.ClosedLow, func(c *contact) error { c.low = true; return nil }},
		{"normally closed", cfg.NormallyClosed, func(c *contact) error {
			switch c.kind {
			case stopContact, gateContact, mirrorContact, loopContact:
				return nil // they are so anyway
			case button, plainContact:
				c.opens, c.closed = true, true
				return nil
			}
			return fmt.Errorf("%q is no contact that rests", c.name)
		}},
	} {
		for i, name := range set.names {
			c := find(name)
			if c == nil {
				return nil, fmt.Errorf("%s[%d]: %q is not among the inputs (%s)", set.key, i, name, strings.Join(cfg.Inputs, ", "))
			}
			if err := set.set(c); err != nil {
				return nil, fmt.Errorf("%s[%d]: %w", set.key, i, err)
			}
		}
	}
	for _, name := range []string{lineStopA, lineStopB} {
		if find(name) == nil {
			out = append(out, contact{name: name, kind: stopContact, closed: true})
		}
	}
	return out, nil
}

func goodName(name string) bool {
	if name == "" || len(name) > 32 || name == bothStops {
		return false
	}
	for _, r := range name {
		if (r < 'a' || r > 'z') && (r < '0' || r > '9') && r != '_' {
			return false
		}
	}
	return faultNamed(name) == nil || name == lineReadback || name == lineAnemometer
}

// act is what a crew does to a contact.
type act uint8

const (
	press act = iota
	release
	openIt
	closeIt
)

var actName = [...]string{press: "press", release: "release", openIt: "open", closeIt: "close"}

// do works the contact or says what can be done with it instead.
func (c *contact) do(a act) error {
	asButton := a == press || a == release
	switch {
	case c.kind == mirrorContact:
		return fmt.Errorf("%s %s: the readback follows the contactor; break it, or break weld or dead, to see it wrong", actName[a], c.name)
	case c.kind == loopContact:
		return fmt.Errorf("%s %s: it follows the anemometer's wire; use break anemometer", actName[a], c.name)
	case c.kind == rotorContact:
		return fmt.Errorf("%s %s: the anemometer follows the wind; use turn HZ", actName[a], c.name)
	case c.kind == button && !asButton:
		return fmt.Errorf("%s %s: %s is a button; use press or release", actName[a], c.name, c.name)
	case c.kind == gateContact && asButton:
		return fmt.Errorf("%s %s: the gate is no button; use open or close", actName[a], c.name)
	case c.kind == stopContact || c.kind == gateContact || !asButton:
		c.closed = a == release || a == closeIt
	default:
		c.closed = (a == press) != c.opens
	}
	return nil
}
