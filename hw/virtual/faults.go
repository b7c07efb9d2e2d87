package virtual

import (
	"fmt"
	"strings"
)

// boardFault is a fault that break brings in and mend takes out. Beside these,
// the name of any input breaks the wire from its contact to the board.
type boardFault struct {
	name string
	says string
	set  func(v *Board, on bool)
	in   func(v *Board) bool
}

func chainFault(f ChainFault) (set func(*Board, bool), in func(*Board) bool) {
	return func(v *Board, on bool) { v.chain.SetFault(v.at, f, on) },
		func(v *Board) bool { return v.chain.Faulty(f) }
}

func sensorFault(flag func(*Board) *bool) (set func(*Board, bool), in func(*Board) bool) {
	return func(v *Board, on bool) {
			v.rotor.advance(v.at)
			v.converter.advance(v.at)
			*flag(v) = on
		},
		func(v *Board) bool { return *flag(v) }
}

var boardFaults = func() []boardFault {
	var out []boardFault
	add := func(name, says string, set func(*Board, bool), in func(*Board) bool) {
		out = append(out, boardFault{name, says, set, in})
	}
	chain := func(name, says string, f ChainFault) {
		set, in := chainFault(f)
		add(name, says, set, in)
	}
	flag := func(name, says string, f func(*Board) *bool) {
		set, in := sensorFault(f)
		add(name, says, set, in)
	}
	chain("weld", "the contactor's main contact is welded closed", Weld)
	chain("dead", "the contactor's coil is burnt out", Dead)
	chain("readback", "the wire of the mirror contact is broken", MirrorWire)
	chain("relay", "the wire from the relay pin is broken", RelayWire)
	chain("heartbeat", "the wire from the heartbeat pin is broken", HeartbeatWire)
	chain("watchdog", "the watchdog is bridged and holds without pulses", WatchdogBridged)
	chain("relay_stuck", "the guard relay's contact is stuck closed", RelayStuck)
	flag("load_cell", "the load cell's conversions cannot be read", func(v *Board) *bool { return &v.converter.failed })
	flag("saturate", "the load cell is at the end of its range", func(v *Board) *bool { return &v.converter.full })
	flag("load_cell_silent", "no conversion comes from the load cell", func(v *Board) *bool { return &v.converter.silent })
	flag("anemometer", "the wire of the anemometer is broken", func(v *Board) *bool { return &v.rotor.broken })
	flag("inputs", "the input lines cannot be read", func(v *Board) *bool { return &v.inputsFail })
	flag("outputs", "the outputs cannot be written and stay as they are", func(v *Board) *bool { return &v.outputsFail })
	chain("slow", "the contactor opens a second late", Slow)
	return out
}()

func faultNamed(name string) *boardFault {
	for i := range boardFaults {
		if boardFaults[i].name == name {
			return &boardFaults[i]
		}
	}
	return nil
}

// FaultSays returns what a fault is, in words; empty for a name that is none of
// faultNames.
func FaultSays(name string) string {
	if f := faultNamed(name); f != nil {
		return f.says
	}
	return ""
}

// faultNames are the faults that Break and Mend know on every board, in a
// fixed order; the names of the inputs come on top.
func faultNames() []string {
	names := make([]string, len(boardFaults))
	for i := range boardFaults {
		names[i] = boardFaults[i].name
	}
	return names
}

// KnownFaults are the faults of faultNames with what each is.
func KnownFaults() (rows []FaultRow) {
	for i := range boardFaults {
		rows = append(rows, FaultRow{boardFaults[i].name, boardFaults[i].says})
	}
	return rows
}

// Break brings a fault in: one of faultNames, or the name of an input, whose
// wire it breaks.
func (v *Board) Break(name string) error { return v.setFault("break", name, true) }

// Mend takes a fault out that Break brought in.
func (v *Board) Mend(name string) error { return v.setFault("mend", name, false) }

func (v *Board) setFault(verb, name string, on bool) error {
	now := v.cfg.Now()
	v.mu.Lock()
	defer v.mu.Unlock()
	if err := v.tick(now); err != nil {
		return err
	}
	if f := faultNamed(name); f != nil {
		f.set(v, on)
		v.note()
		return nil
	}
	for i := range v.contacts[:v.wired] {
		if c := &v.contacts[i]; c.name == name {
			c.broken = on
			return nil
		}
	}
	return fmt.Errorf("%s: no fault or input is named %q; there are %s, and for the wire of an input %s", verb, short(name),
		strings.Join(faultNames(), ", "), strings.Join(v.cfg.Inputs, ", "))
}
