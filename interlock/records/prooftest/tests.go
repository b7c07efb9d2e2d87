package prooftest

import (
	"fmt"
	"slices"

	"downhaul/interlock/pad"
)

// Test is one proof test. Its number is the Seq of interlock.HostProof and
// stands in recordings: never renumber.
type Test uint8

// The tests, in the order in which they are done.
const (
	Chain      Test = iota // relay, watchdog, contactor and readback
	Signals                // buzzer and lamp
	Stop                   // both contacts of the emergency stop
	Buttons                // reset, start, end, hold and gate
	Anemometer             // turned by hand
	LoadCell               // tared, and loaded with a known mass
	Rotors                 // the chain reaches the rotors: bare motors stop
	Latency                // pin to contact on this board
	LinkDelay              // how late the link is; asked for by name, never due
	testCount
)

var testKey = [testCount]string{"chain", "signals", "stop", "buttons", "anemometer", "load_cell", "rotors", "latency", "link_delay"}

var testTitle = [testCount]string{
	"relay and chain", "buzzer and lamp", "emergency stop", "buttons and gate", "anemometer", "load cell",
	"chain to rotors, propellers off", "pin to contact", "how late the link is",
}

// Key is the name of the test in records and on the command line.
func (t Test) Key() string {
	if t < testCount {
		return testKey[t]
	}
	return fmt.Sprintf("test_%d", t)
}

// String is the test in a few plain words.
func (t Test) String() string {
	if t < testCount {
		return testTitle[t]
	}
	return fmt.Sprintf("unknown test %d", t)
}

// Named finds a test by its key.
func Named(key string) (Test, bool) {
	i := slices.Index(testKey[:], key)
	return Test(max(i, 0)), i >= 0
}

// MarshalText and UnmarshalText are the key, so that a record can be read.
func (t Test) MarshalText() ([]byte, error) { return []byte(t.Key()), nil }

// UnmarshalText reads a key.
func (t *Test) UnmarshalText(b []byte) error {
	got, ok := Named(string(b))
	if !ok {
		return fmt.Errorf("no test is called %q", b)
	}
	*t = got
	return nil
}

// Fitting are the tests that what is fitted on a pad needs.
func Fitting(p *pad.Pad) []Test {
	var out []Test
	has := func(names ...string) bool {
		return slices.ContainsFunc(names, func(n string) bool { return p.Board.Line(n).Fitted })
	}
	need := [testCount]bool{Chain: has("relay"), Rotors: has("relay"), Signals: has("buzzer", "lamp"), Stop: has("estop_a", "estop_b"),
		Buttons: has("reset", "start", "end", "hold", "gate"), Anemometer: p.Wind.Fitted, LoadCell: p.LoadCell.Fitted, Latency: has("relay") && p.Contactor.Readback}
	for t := range testCount {
		if need[t] {
			out = append(out, t)
		}
	}
	return out
}
