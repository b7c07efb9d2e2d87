package hw

import (
	"fmt"
	"strings"
)

// boardFault is a fault that break brings in and mend takes out. Beside these,
// the name of any input breaks the wire from its contact to the board.
type boardFault struct {
	name string
	says string
	set  func(v *Virtual, on bool)
	in   func(v *Virtual) bool
}

func chainFault(f ChainFault) (set func(*Virtual, bool), in func(*Virtual) bool) {
	return func(v *Virtual, on bool) { v.chain.SetFault(v.at, f, on) },
		func(v *Virtual) bool { return v.chain.Faulty(f) }
}

func sensorFault(flag func(*Virtual) *bool) (set func(*Virtual, bool), in func(*Virtual) bool) {
	return func(v *Virtual, on bool) {
			v.rotor.advance(v.at)
			v.converter.advance(v.at)
			*flag(v) = on
		},
		func(v *Virtual) bool { return *flag(v) }
}

var boardFaults = func() []boardFault {
	var out []boardFault
	add := func(name, says string, set func(*Virtual, bool), in func(*Virtual) bool) {
		out = append(out, boardFault{name, says, set, in})
	}
	chain := func(name, says string, f ChainFault) {
		set, in := chainFault(f)
		add(name, says, set, in)
	}
	flag := func(name, says string, f func(*Virtual) *bool) {
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
	flag("load_cell", "the load cell's conversions can not be read", func(v *Virtual) *bool { return &v.converter.failed })
	flag("saturate", "the load cell is at the end of its range", func(v *Virtual) *bool { return &v.converter.full })
	flag("load_cell_silent", "no conversion comes from the load cell", func(v *Virtual) *bool { return &v.converter.silent })
	flag("anemometer", "the wire of the anemometer is broken", func(v *Virtual) *bool { return &v.rotor.broken })
	flag("inputs", "the input lines can not be read", func(v *Virtual) *bool { return &v.inputsFail })
	flag("outputs", "the outputs can not be written and stay as they are", func(v *Virtual) *bool { return &v.outputsFail })
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

// FaultNames are the faults that Break and Mend know on every board, in a
// fixed order; the names of the inputs come on top.
func FaultNames() []string {
	names := make([]string, len(boardFaults))
	for i := range boardFaults {
		names[i] = boardFaults[i].name
	}
	return names
}

// Break brings a fault in: one of FaultNames, or the name of an input, whose
// wire it breaks.
func (v *Virtual) Break(name string) error { return v.setFault("break", name, true) }

// Mend takes a fault out that Break brought in.
func (v *Virtual) Mend(name string) error { return v.setFault("mend", name, false) }

func (v *Virtual) setFault(verb, name string, on bool) error {
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
	return fmt.Errorf("%s: no fault or input is named %q; there are %s, and for the wire of an input %s", verb, clip(name),
		strings.Join(FaultNames(), ", "), strings.Join(v.cfg.Inputs, ", "))
}

// clip keeps a name that somebody sent from filling a message.
func clip(s string) string {
	const most = 40
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "..."
}
