package commission

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock/model/benchboard"
	"downhaul/interlock/records/prooftest"
)

// Every fault that the virtual board can have is found by the test that is
// there for it, and named.
//
//fault:row a contactor that is welded, dead or miswired, when the pad is tested | named, and no start
func TestFaultsAreFound(t *testing.T) {
	gate := cue{phrase: "Nothing of that was seen", answer: "no"}
	for _, c := range []struct {
		name  string
		test  prooftest.Test
		fault func(*virtual.Board) error
		words string
		crew  []cue
		stays bool // power may remain: the run must end there
	}{
		{"welded before", prooftest.Chain, breaks("weld"), "welded", nil, true},
		{"mirror wire cut", prooftest.Chain, breaks("readback"), "mirror contact is cut", nil, true},
		{"coil burnt out", prooftest.Chain, breaks("dead"), "the chain is dead", nil, false},
		{"relay wire cut", prooftest.Chain, breaks("relay"), "the chain is dead", nil, false},
		{"heartbeat wire cut", prooftest.Chain, breaks("heartbeat"), "the chain is dead", nil, false},
		{"watchdog bridged", prooftest.Chain, breaks("watchdog"), "watchdog is bridged", nil, false},
		{"guard relay stuck", prooftest.Chain, breaks("relay_stuck"), "guard relay is stuck", nil, false},
		{"outputs fail", prooftest.Chain, breaks("outputs"), "cannot be written", nil, false},
		{"inputs fail", prooftest.Buttons, breaks("inputs"), "cannot be read", nil, false},
		{"stop contact A wire cut", prooftest.Stop, breaks("estop_a"), "", []cue{gate}, false},
		{"reset wire cut", prooftest.Buttons, breaks("reset"), "reset was not seen", []cue{gate}, false},
		{"gate wire cut", prooftest.Buttons, breaks("gate"), "gate reads open although nobody works it", []cue{gate}, false},
		{"start stuck", prooftest.Buttons, press("start"), "start reads pressed although nobody works it", []cue{{phrase: "start reads pressed", act: nil}, gate}, false},
		{"anemometer wire cut", prooftest.Anemometer, breaks("anemometer"), "0 pulses were seen", []cue{gate}, false},
		{"cell not read", prooftest.LoadCell, breaks("load_cell"), "could not be read", nil, false},
		{"cell silent", prooftest.LoadCell, breaks("load_cell_silent"), "no conversion came", nil, false},
		{"cell saturated", prooftest.LoadCell, breaks("saturate"), "end of the range", nil, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			if strings.HasPrefix(c.name, "outputs") {
				// A board whose outputs fail cannot even be made inert; the
				// question before the test already says so.
				r, _, err := run(t, testPad(t, t.TempDir()), []prooftest.Test{c.test}, nil, append(c.crew, cue{phrase: "contactor is worked", act: c.fault})...)
				if err == nil || !r.Interrupted {
					t.Errorf("the run went on: %v", err)
				}
				finds(t, result(t, r, c.test, prooftest.Failed), c.words)
				return
			}
			r, _, err := run(t, testPad(t, t.TempDir()), []prooftest.Test{c.test, prooftest.Signals}, c.fault, c.crew...)
			if c.words == "" { // nothing of it can be tested: left out, never passed
				result(t, r, c.test, prooftest.Skipped)
				return
			}
			got := result(t, r, c.test, prooftest.Failed)
			finds(t, got, c.words)
			if _, went := r.Test(prooftest.Signals); c.stays != (err != nil) || c.stays != r.Interrupted || c.stays == went && c.test > prooftest.Signals {
				t.Errorf("err %v, interrupted %v, went on %v; power may remain: %v", err, r.Interrupted, went, c.stays)
			}
			if c.stays && !strings.Contains(strings.Join(got.Found, ""), "Use the hard-wired stop") {
				t.Errorf("%q does not send them to the hard-wired stop", got.Found)
			}
		})
	}
}

// A mirror contact wired as if it were a main contact: it says closed while
// the contactor is open, and turns with it.
func TestReadbackTheWrongWayRound(t *testing.T) {
	p := testPad(t, t.TempDir())
	turned := testPad(t, t.TempDir(), `kind = "virtual"`, `kind = "virtual"
[board.lines]
relay = "virtual"
heartbeat = "virtual"
buzzer = "virtual"
lamp = "virtual"
estop_a = "virtual"
estop_b = "virtual"
gate = "virtual"
hold = "virtual"
reset = "virtual"
start = "virtual"
end = "virtual"
anemometer = "virtual"
readback = "virtual, closed is low"`)
	// The board is wired by p, the guard reads it by turned.
	var got *prooftest.Result
	r, _, err := runWired(t, p, turned, []prooftest.Test{prooftest.Chain, prooftest.Stop})
	if err != nil {
		t.Fatal(err)
	}
	got = result(t, r, prooftest.Chain, prooftest.Failed)
	finds(t, got, "the wrong way round")
	finds(t, result(t, r, prooftest.Stop, prooftest.Failed), "the chain does not close")
}

func TestWeldWhileWorking(t *testing.T) {
	for _, c := range []struct {
		test prooftest.Test
		cue  string
		say  string
	}{
		{prooftest.Chain, "contactor is worked", "POWER NOT REMOVED"},
		{prooftest.Stop, "Press the emergency stop", "did not open the contactor"},
	} {
		r, h, err := run(t, testPad(t, t.TempDir()), []prooftest.Test{c.test}, nil, cue{phrase: c.cue, act: func(b *virtual.Board) error {
			for !b.PowerOn() { // closed at this very moment
				time.Sleep(time.Millisecond)
			}
			if c.test == prooftest.Stop {
				_ = b.Press("estop")
			}
			return b.Break("weld")
		}})
		got := result(t, r, c.test, prooftest.Failed)
		if err == nil || !strings.Contains(strings.Join(got.Found, " "), "POWER NOT REMOVED") {
			t.Errorf("%v: %v, found %q\n%s", c.test, err, got.Found, strings.Join(h.said, "\n"))
		}
	}
}

func TestStopThatOnlyTellsTheComputer(t *testing.T) {
	// The contact's line opens but the contactor's coil does not lose its
	// supply: the wire of the line was opened, not the contact.
	r, _, err := run(t, testPad(t, t.TempDir()), []prooftest.Test{prooftest.Stop}, nil,
		cue{phrase: "wire of contact A", act: breaks("estop_a")},
		cue{phrase: "Close that wire", act: func(b *virtual.Board) error { return b.Mend("estop_a") }, once: true})
	if err != nil {
		t.Fatal(err)
	}
	got := result(t, r, prooftest.Stop, prooftest.Failed)
	finds(t, got, "contact A alone did not open the contactor while the relay was on")
	if len(got.Found) != 1 {
		t.Errorf("found %q", got.Found)
	}
	// One contact that does not open with the other, and one that lags.
	r, _, _ = run(t, testPad(t, t.TempDir()), []prooftest.Test{prooftest.Stop}, nil, cue{phrase: "Press the emergency stop", act: openIt("estop_a")}, cue{phrase: "Twist", act: closeIt("estop_a")})
	finds(t, result(t, r, prooftest.Stop, prooftest.Failed), "contact B of the emergency stop (estop_b) did not open")
	r, _, _ = run(t, testPad(t, t.TempDir()), []prooftest.Test{prooftest.Stop}, nil, cue{phrase: "Press the emergency stop", act: func(b *virtual.Board) error {
		_ = b.OpenContact("estop_b")
		time.Sleep(700 * time.Millisecond)
		return b.OpenContact("estop_a")
	}})
	finds(t, result(t, r, prooftest.Stop, prooftest.Failed), "apart; the pad file allows 500 ms")
	// Both contacts on one circuit.
	r, _, _ = run(t, testPad(t, t.TempDir()), []prooftest.Test{prooftest.Stop}, nil, cue{phrase: "wire of contact A", act: press("estop")})
	finds(t, result(t, r, prooftest.Stop, prooftest.Failed), "the two lines are one circuit")
	// The wires mixed up.
	r, _, _ = run(t, testPad(t, t.TempDir()), []prooftest.Test{prooftest.Stop}, nil, cue{phrase: "wire of contact A", act: openIt("estop_b")})
	finds(t, result(t, r, prooftest.Stop, prooftest.Failed), "swapped")
}

func TestAnotherLineMovesToo(t *testing.T) {
	r, _, err := run(t, testPad(t, t.TempDir()), []prooftest.Test{prooftest.Buttons}, nil, cue{phrase: "Press reset", act: func(b *virtual.Board) error {
		_ = b.Press("end")
		return b.Press("reset")
	}}, cue{phrase: "Let reset", act: func(b *virtual.Board) error {
		_ = b.Release("end")
		return b.Release("reset")
	}})
	if err != nil {
		t.Fatal(err)
	}
	got := result(t, r, prooftest.Buttons, prooftest.Failed)
	finds(t, got, "reset moved end as well")
	if len(got.Found) != 1 {
		t.Errorf("found %q", got.Found)
	}
	between(t, got, "reset, other lines moved", 1, 1)
	between(t, got, "start, other lines moved", 0, 0)
}

func TestSensorsThatAreOff(t *testing.T) {
	// 22 kg that the crew take for 20: the scale seems off by a tenth.
	r, h, err := run(t, testPad(t, t.TempDir()), []prooftest.Test{prooftest.LoadCell}, nil, cue{phrase: "How much is it", answer: "20 kg", act: load(196.133 * 1.1)})
	if err != nil {
		t.Fatal(err)
	}
	got := result(t, r, prooftest.LoadCell, prooftest.Failed)
	finds(t, got, "the scale of the pad file is off by -9")
	between(t, got, "newtons per count", 0.0025/1.1*0.999, 0.0025/1.1*1.001)
	if !strings.Contains(strings.Join(h.said, "\n"), "newtons_per_count = 0.00227") {
		t.Error("the key for the pad file was not told")
	}
	// Something still hangs on it.
	r, _, _ = run(t, testPad(t, t.TempDir()), []prooftest.Test{prooftest.LoadCell}, nil, cue{phrase: "hang free", answer: "yes", act: load(10)}, cue{phrase: "How much is it", answer: "44 lb", act: load(10 + 195.717)})
	finds(t, result(t, r, prooftest.LoadCell, prooftest.Failed), "the zero of the pad file is off by 10 N")
	// Too little to be told from nothing; and words that are no load.
	r, h, _ = run(t, testPad(t, t.TempDir()), []prooftest.Test{prooftest.LoadCell}, nil, cue{phrase: "How much is it", answer: "heavy", once: true}, cue{phrase: "How much is it", answer: "0.01 N", act: load(0.01)})
	finds(t, result(t, r, prooftest.LoadCell, prooftest.Failed), "hardly tell the load from none")
	if !strings.Contains(strings.Join(h.said, "\n"), "such as \"20 kg\" or \"200 N\"") {
		t.Error("nobody said how a load is written")
	}
	// No hand turns it so fast.
	r, _, _ = run(t, testPad(t, t.TempDir()), []prooftest.Test{prooftest.Anemometer}, nil, cue{phrase: "Turn the anemometer", act: func(b *virtual.Board) error { return b.Turn(150) }})
	finds(t, result(t, r, prooftest.Anemometer, prooftest.Failed), "faster than a hand")
	// Not heard, not seen.
	r, _, _ = run(t, testPad(t, t.TempDir()), []prooftest.Test{prooftest.Signals}, nil, cue{phrase: "Did the lamp", answer: "no"})
	finds(t, result(t, r, prooftest.Signals, prooftest.Failed), "lamp was not seen")
}

// A chain slower than the pad file allows.
func TestChainTooSlow(t *testing.T) {
	r, _, err := run(t, testPad(t, t.TempDir(), `kind = "virtual"`, "kind = \"virtual\"\n\n[contactor]\npick_up = \"10 ms\"\ndrop_out = \"12 ms\""), []prooftest.Test{prooftest.Chain, prooftest.Latency}, nil)
	if err != nil {
		t.Fatal(err)
	}
	got := result(t, r, prooftest.Chain, prooftest.Failed)
	finds(t, got, "pick-up took 1")
	finds(t, got, "drop-out took 20 ms, and the pad file allows 12 ms")
	finds(t, result(t, r, prooftest.Latency, prooftest.Failed), "opened 20 ms after the relay's write")
}

// Without a mirror contact the crew's eyes are the readback.
func TestChainByEye(t *testing.T) {
	p := testPad(t, t.TempDir(), `kind = "virtual"`, "kind = \"virtual\"\n\n[contactor]\nreadback = \"none\"")
	r, _, err := run(t, p, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := r.Test(prooftest.Latency); ok {
		t.Error("pin to contact was measured without a readback")
	}
	got := result(t, r, prooftest.Chain, prooftest.Passed)
	if _, ok := figureOf(got, "pick-up, most"); ok || len(got.Notes) == 0 {
		t.Errorf("by eye: figures %v, notes %q", got.Figures, got.Notes)
	}
	r, _, _ = run(t, p, []prooftest.Test{prooftest.Chain, prooftest.Stop}, nil, cue{phrase: "Did the contactor stay open", answer: "no"}, cue{phrase: "open when the stop was pressed", answer: "no"})
	finds(t, result(t, r, prooftest.Chain, prooftest.Failed), "watchdog is bridged")
	finds(t, result(t, r, prooftest.Stop, prooftest.Failed), "did not open the contactor")
}

// Contacts that bounce after closing are no contactor that opens by itself.
func TestBounceIsNoOpening(t *testing.T) {
	p := testPad(t, t.TempDir())
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		now := func() time.Duration { return time.Since(began) }
		cfg := benchboard.Config(p, now)
		cfg.Chain.Bounce = 8 * time.Millisecond
		board, err := virtual.Open(cfg)
		if err != nil {
			t.Fatal(err)
		}
		h := &hands{t: t, board: board, met: map[string]bool{}, script: goodCrew()}
		r, err := Run(t.Context(), Config{Pad: p, Board: board, Crew: h, Now: now, Sleep: time.Sleep, Wall: time.Now, Only: []prooftest.Test{prooftest.Chain, prooftest.Stop, prooftest.Latency}, Patience: 4 * time.Second})
		if err != nil {
			t.Fatal(err)
		}
		got := result(t, r, prooftest.Chain, prooftest.Passed)
		// The gap is the second half of the bounce.
		between(t, got, "bounce after closing, most", 0.004, 0.009)
		result(t, r, prooftest.Stop, prooftest.Passed)
		result(t, r, prooftest.Latency, prooftest.Passed)
		time.Sleep(2 * time.Second)
		_ = board.Close()
	})
}

// A contactor that drops while the crew are still on their way to the stop
// proves nothing for the stop.
func TestContactorThatOpensBeforeTheStopIsPressed(t *testing.T) {
	r, _, err := run(t, testPad(t, t.TempDir()), []prooftest.Test{prooftest.Stop}, nil, cue{phrase: "Press the emergency stop", act: func(b *virtual.Board) error {
		_ = b.Break("relay")
		time.Sleep(1500 * time.Millisecond)
		return b.Press("estop")
	}})
	if err != nil {
		t.Fatal(err)
	}
	got := result(t, r, prooftest.Stop, prooftest.Failed)
	finds(t, got, "opened by itself")
	if _, ok := figureOf(got, "the emergency stop, to open contactor"); ok {
		t.Error("the stop has a time though it opened nothing")
	}
}
