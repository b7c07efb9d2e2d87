package main

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"downhaul/hw/virtual"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/pad"
)

// atBoard is a virtual board with every line, and the keys on it, on a clock of the test.
func atBoard(t *testing.T) (k *keys, look func(), at *time.Duration) {
	t.Helper()
	at = new(time.Duration)
	p, faults := pad.Read("pad.toml", []byte("version = 1\nduty = \"watch\"\n[craft]\nsystem = 1\ncomponent = 1\n[[link]]\nkind = \"udp\"\naddress = \"127.0.0.1:40123\"\n"+
		"[load_cell]\nzero = 84000\nnewtons_per_count = 0.0025\nrate = \"80 Hz\"\n[board]\nkind = \"virtual\"\n"))
	if faults != nil {
		t.Fatal(faults)
	}
	cfg := benchboard.Config(p, func() time.Duration { return *at })
	b, err := virtual.Open(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = b.Close() })
	k = newKeys(b, "N")
	look = func() {
		t.Helper()
		k.tick(*at)
		if k.state, err = b.Show(); err != nil {
			t.Fatal(err)
		}
	}
	look()
	return k, look, at
}

func says(k *keys, line string) string {
	for _, in := range k.state.Inputs {
		if in.Name == line {
			return in.Says
		}
	}
	return "no such line"
}

// A terminal tells no release: a tap is a press of 0.7 s, a key that comes again holds
// the button until it stays away, and a capital keeps it down.
func TestKeysHoldButtons(t *testing.T) {
	t.Parallel()
	k, look, at := atBoard(t)
	step := func(now time.Duration, keys, line, want string) {
		t.Helper()
		*at = now
		for _, key := range []byte(keys) {
			k.press(key, now)
		}
		look()
		if got := says(k, line); got != want {
			t.Errorf("at %v after %q: %s is %q, want %q", now, keys, line, got, want)
		}
	}
	const ms = time.Millisecond
	step(1000*ms, "r", "reset", "pressed")
	step(1690*ms, "", "reset", "pressed")
	step(1700*ms, "", "reset", "not pressed")
	// Held: the first repeat comes after 0.5 s, then 25 a second.
	step(3000*ms, "s", "start", "pressed")
	for now := 3500 * ms; now < 6000*ms; now += 40 * ms {
		step(now, "s", "start", "pressed")
	}
	step(6240*ms, "", "start", "not pressed")
	step(7000*ms, "H", "hold", "held")
	step(20*time.Second, "", "hold", "held")
	step(20*time.Second, "h", "hold", "held")
	step(30*time.Second, "", "hold", "held")
	step(30*time.Second, "H", "hold", "not held")
	step(31*time.Second, "x", "estop_b", "open: pressed")
	step(32*time.Second, "x", "estop_b", "closed: not pressed")
	step(33*time.Second, "a", "estop_a", "open: pressed")
	step(33*time.Second, "", "estop_b", "closed: not pressed")
	step(34*time.Second, "a", "estop_a", "closed: not pressed")
	step(35*time.Second, "g", "gate", "open")
	step(36*time.Second, "g", "gate", "closed")
	// Leaving lets go of what a key holds, and of nothing else.
	step(40*time.Second, "Hr", "reset", "pressed")
	k.end()
	step(40*time.Second, "", "reset", "not pressed")
	step(40*time.Second, "q", "hold", "held")
	if !k.leave {
		t.Error("q does not leave")
	}
}

func TestKeysBringFaultsIn(t *testing.T) {
	t.Parallel()
	k, look, at := atBoard(t)
	if len(virtual.KnownFaults()) > len(faultKeys) {
		t.Fatalf("%d faults, %d keys", len(virtual.KnownFaults()), len(faultKeys))
	}
	for i := range faultKeys {
		if lineAt(faultKeys[i]) != "" || strings.Count(faultKeys+"qw+-[]=", faultKeys[i:i+1]) != 1 {
			t.Errorf("key %c stands for two things", faultKeys[i])
		}
	}
	in := func(name string) bool {
		look()
		return slices.ContainsFunc(k.state.Faults, func(f virtual.FaultRow) bool { return f.Name == name })
	}
	for i, f := range virtual.KnownFaults() {
		for _, want := range []bool{true, false} {
			*at += time.Second
			if k.press(faultKeys[i], *at); in(f.Name) != want {
				t.Errorf("%c: %s is in: %v (%s)", faultKeys[i], f.Name, !want, k.note)
			}
		}
	}
	for _, key := range []byte("wr") {
		k.press(key, *at)
	}
	if !in("reset") {
		t.Errorf("wr does not break the wire of reset: %s", k.note)
	}
	for _, key := range []byte("++]]-") {
		k.press(key, *at)
		look()
	}
	if k.state.Wind != 1 || *k.state.Load != 100 {
		t.Errorf("wind %v, load %v", k.state.Wind, *k.state.Load)
	}
	// A crew in pounds steps and reads in them; 1 lbf is 4.4482216152605 N (NIST SP 811, B.8).
	k.force = "lbf"
	k.press('[', *at)
	look()
	if want := 100 - 44.482216152605; math.Abs(*k.state.Load-want) > 1e-9 || !strings.Contains(boardText(k, nil, columns), "load 12.48 lbf\n") {
		t.Errorf("load %v N, want %v:\n%s", *k.state.Load, want, boardText(k, nil, columns))
	}
}

// The screen has every line, and everything stands on 80 columns and 24 rows.
func TestTheBoardFitsOnAScreen(t *testing.T) {
	t.Parallel()
	k, look, at := atBoard(t)
	for _, key := range []byte(faultKeys[:len(virtual.KnownFaults())]) {
		k.press(key, 0)
	}
	*at = 3 * time.Hour
	look()
	st := &told.Status{State: "blocked", Sentence: "No start: something is missing.", NotReady: []string{strings.Repeat("a reason that is long; ", 12)}}
	text := boardText(k, st, columns)
	rows := strings.Split(strings.TrimSuffix(text, "\n"), "\n")
	if len(rows) > 23 {
		t.Errorf("%d rows", len(rows))
	}
	for _, row := range rows {
		if utf8.RuneCountInString(row) > columns {
			t.Errorf("wider than %d: %q", columns, row)
		}
	}
	for _, in := range k.state.Inputs {
		if !strings.Contains(text, in.Name) {
			t.Errorf("no %s on\n%s", in.Name, text)
		}
	}
	for _, want := range []string{" 3 h", "relay", "heartbeat", "buzzer", "lamp", "contactor", "WELD!", "Guard: No start", "Waits for: a reason", "its wire\n", "A REHEARSAL"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q on\n%s", want, text)
		}
	}
	t.Log("\n" + text)
}
