package virtual

import (
	"fmt"
	"strings"
)

// What the crew does at the pad. Names are those of Config.Inputs, and
// estop for both contacts of the emergency stop at once. Each act takes effect
// at the present instant of the board's clock.

// Press presses a button, or pushes the emergency stop.
func (v *Board) Press(name string) error { return v.work(press, name) }

// Release lets a button go, or twists the emergency stop free.
func (v *Board) Release(name string) error { return v.work(release, name) }

// OpenContact opens the gate, or contacts of the emergency stop.
func (v *Board) OpenContact(name string) error { return v.work(openIt, name) }

// CloseContact closes what OpenContact opens.
func (v *Board) CloseContact(name string) error { return v.work(closeIt, name) }

func (v *Board) work(a act, name string) error {
	now := v.cfg.Now()
	v.mu.Lock()
	defer v.mu.Unlock()
	if err := v.tick(now); err != nil {
		return err
	}
	found := false
	for i := range v.contacts {
		c := &v.contacts[i]
		if c.name != name && (name != bothStops || c.kind != stopContact) {
			continue
		}
		if err := c.do(a); err != nil {
			return err
		}
		found = true
	}
	if !found {
		return fmt.Errorf("%s: nothing is named %q; there are %s", actName[a], short(name), strings.Join(v.names(), ", "))
	}
	closed := func(name string) bool {
		for i := range v.contacts {
			if v.contacts[i].name == name {
				return v.contacts[i].closed
			}
		}
		return false // not reached: newContacts makes both
	}
	v.chain.SetStop(v.at, closed(lineStopA), closed(lineStopB))
	v.note()
	return nil
}

// names are the contacts that can be worked.
func (v *Board) names() []string {
	out := []string{bothStops}
	for i := range v.contacts {
		if k := v.contacts[i].kind; k != mirrorContact && k != rotorContact && k != loopContact {
			out = append(out, v.contacts[i].name)
		}
	}
	return out
}

// Turn turns the anemometer at hz pulses a second, two edges each; 0 stops it.
// From 0.001 to 1000.
func (v *Board) Turn(hz float64) error {
	now := v.cfg.Now()
	v.mu.Lock()
	defer v.mu.Unlock()
	if err := v.tick(now); err != nil {
		return err
	}
	return v.rotor.turn(v.at, hz)
}

// Load puts a force on the load cell, newtons.
func (v *Board) Load(newtons float64) error {
	now := v.cfg.Now()
	v.mu.Lock()
	defer v.mu.Unlock()
	if err := v.tick(now); err != nil {
		return err
	}
	return v.converter.load(v.at, newtons)
}
