package emulated

import (
	"strings"
	"testing"
	"time"

	"downhaul/hw/virtual"
)

// A crew practises on real pins with a modelled craft. A real fault of the chain, and a
// kill in the middle, hold the next start of the shipped daemon back; the real craft's
// first word opens the relay; the daemon refuses the rehearsal's own pad file.
//
//fault:row a rehearsal on the real board is killed | power off by the watchdog, and the next start is held back until its records were read
func TestEmulatedRehearsal(t *testing.T) {
	if testing.Short() {
		t.Skip("boots a computer; left out with -short")
	}
	r := boot(t, Config{}, layouts...)
	r.rehearse(true)
	for try := 0; ; try++ { // a busy computer can hold the loop up: then it trips before this
		r.practise()
		r.out.Fault(virtual.Weld, true)
		r.contact("estop_a", false)
		r.contact("estop_b", false)
		line, next, err := r.m.Wait(r.from, "FAULT: POWER NOT REMOVED", 10*time.Second)
		if err == nil {
			t.Log(line.Text)
			r.from = next
			break
		}
		if try == 5 {
			t.Fatal(err)
		}
		r.out.Fault(virtual.Weld, false)
		r.contact("estop_a", true)
		r.contact("estop_b", true)
	}
	r.within(atOnce, "the relay low", func() bool { return !r.out.RelayOn() })
	r.do("for i in 1 2 3 4 5 6 7 8 9 10; do ls /log/ledger/0002* 2>/dev/null && break; sleep 0.5; done")
	r.do("kill -KILL $REHEARSAL; wait $REHEARSAL; true")
	r.out.Fault(virtual.Weld, false)
	r.within(atOnce, "power off", func() bool { return !r.out.PowerOn() })
	r.contact("estop_a", true)
	r.contact("estop_b", true)

	if out := r.do("downhauld --pad /log/rehearsals/*/pad.toml 2>&1; true"); !strings.Contains(out, "copy of a rehearsal") {
		t.Errorf("the daemon takes a rehearsal's pad file: %s", out)
	}
	r.guard(craftPad, false)
	r.heldBack("has no end on record")
	r.end()
	// Somebody has its records read; the fault goes on holding.
	if out := r.tells("downhaul defect --pad /pads/" + craftPad + "/pad.toml"); !strings.Contains(out, "it broke off, and its records were read later") || !strings.Contains(out, "HOLDS THE START BACK") {
		t.Errorf("the records were not read:\n%s", out)
	}
	r.guard(craftPad, false)
	r.heldBack()
	r.end()

	// A rehearsal is held back by the same.
	if out := r.tells("downhaul rehearse --real-board --pad /pads/" + craftPad + "/pad.toml </dev/null 2>&1"); !strings.Contains(out, "power was not removed") {
		t.Errorf("a rehearsal over a welded contactor begins:\n%s", out)
	}
	r.rehearse(true)
	r.practise()
	r.line.set(false, false) // the real craft is heard
	r.within(atOnce, "power off", func() bool { return !r.out.PowerOn() && !r.out.RelayOn() })
	r.says("the relay opened: the real craft has power")
	r.line.set(true, false)
	r.do("wait $REHEARSAL; true")
	r.staysOpen(time.Second)
	out := r.tells("downhaul defect --pad /pads/" + craftPad + "/pad.toml")
	if !strings.Contains(out, "cut off, since the real craft has power; openings of the contactor: ") || strings.Contains(out, "contactor: 0") || strings.Contains(out, "HOLDS") {
		t.Errorf("on record stands:\n%s", out)
	}
}

// tells is what a command prints, on one line.
func (r *rig) tells(command string) string {
	r.t.Helper()
	return strings.Join(strings.Fields(r.do(command+"; true")), " ")
}

// rehearse begins a rehearsal on the real pins, with the answers of a crew and its press.
func (r *rig) rehearse(fresh bool) {
	r.t.Helper()
	r.line.set(true, false)
	if fresh {
		r.do("rm -rf /log/* /log/.last-session.json")
	}
	time.Sleep(time.Second) // what was on its way
	_, r.from = r.m.Lines(0)
	r.do("printf 'yes\\nyes\\nyes\\nyes\\nAB\\n' | downhaul rehearse --real-board --pad /pads/" + craftPad + "/pad.toml >/dev/ttyAMA0 2>&1 & REHEARSAL=$!")
	r.says("press reset and let it go")
	r.staysOpen(time.Second)
	r.press("reset", tap)
	r.says("REHEARSAL. The real buttons are live.")
}

// practise works the real buttons until the modelled craft has power. It goes by what the
// rehearsal prints: a status asked for twice a second would take the one emulated
// processor from craft and guard.
func (r *rig) practise() {
	r.t.Helper()
	began := r.from
	pressed := time.Time{}
	for end := time.Now().Add(4 * patience); ; time.Sleep(300 * time.Millisecond) {
		lines, _ := r.m.Lines(began)
		state := ""
		for _, l := range lines {
			if _, says, ok := strings.Cut(l.Text, " s  guard  "); ok {
				if word, _, ok := strings.Cut(says, ":"); ok && word == strings.ToUpper(word) {
					state = word
				}
			}
		}
		switch state {
		case "LIVE":
			return
		case "READY":
			if time.Since(pressed) > 5*time.Second {
				r.press("start", tap)
				pressed = time.Now()
			}
		case "CLOSING":
		default:
			r.press("reset", tap)
			time.Sleep(2 * time.Second)
		}
		if time.Now().After(end) {
			r.t.Fatalf("never live: %s", state)
		}
	}
}
