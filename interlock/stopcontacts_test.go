package interlock

import (
	"strings"
	"testing"
	"time"

	"downhaul/rules"
)

// stopping has the two contacts of the emergency stop do what a text says: "A-" opens
// the first, "B+" closes the second, a number waits as many milliseconds.
func (r *rig) stopping(t *testing.T, text string, first Line) {
	t.Helper()
	for _, word := range strings.Fields(text) {
		if d, err := time.ParseDuration(word + "ms"); err == nil {
			r.run(d)
			continue
		}
		l := first
		if word[0] == 'B' {
			l = EStopA + EStopB - first
		}
		r.lines[l] = word[1] == '+'
	}
}

// A press so short that it is over before the contacts had their time still finds the
// contact that did not open; bouncing, late and quick contacts that both open are no
// fault. Each is told with either contact first. The times are ours, around a
// discrepancy time of 500 ms.
//
//fault:row a short press of the emergency stop opens one contact only | power off at once, then a fault until both were seen to open
func TestAShortPressFindsTheContactThatDoesNotOpen(t *testing.T) {
	for _, c := range []struct {
		name, text string
		fault      bool
	}{
		{"one contact for 200 ms", "A- 200 A+ 530", true},
		{"one contact for one reading", "A- 10 A+ 530", true},
		{"one contact, bouncing", "A- 10 A+ 10 A- 10 A+ 10 A- 100 A+ 10 A- 10 A+ 530", true},
		{"one contact, twice", "A- 100 A+ 300 A- 100 A+ 530", true},
		{"one contact, long after a good press", "A- B- 100 A+ B+ 600 A- 100 A+ 530", true},
		{"each alone, one long after the other", "A- 100 A+ 530 B- 100 B+ 530", true},
		{"held", "A- 530", true},
		{"both", "A- B- 200 A+ B+ 1000", false},
		{"both, the second late", "A- 490 B- 100 A+ 300 B+ 1000", false},
		{"both, bouncing", "A- 10 A+ 10 A- 10 B- 10 B+ 10 B- 100 A+ 10 A- 10 A+ 10 B+ 10 B- 10 B+ 1000", false},
		{"both, so short that they never were open together", "A- 20 A+ 20 B- 20 B+ 1000", false},
		{"one contact bounces after the release", "A- B- 200 A+ B+ 30 A- 10 A+ 1000", false},
		{"one contact bounces long after the release", "A- B- 200 A+ B+ 490 A- 10 A+ 1000", false},
		{"the second press is a good one", "A- 100 A+ 300 A- B- 100 A+ B+ 1000", false},
		{"a good press as the time of the last one ends", "A- B- 100 A+ B+ 480 A- 40 B- 100 A+ B+ 1000", false},
		{"held for long", "A- B- 5000 A+ B+ 1000", false},
	} {
		for _, first := range []Line{EStopA, EStopB} {
			r := bases(t)[1].twin(t)
			r.land()
			r.stopping(t, c.text, first)
			if fault := r.e.latch.state == Fault && r.e.latch.why == ReasonEStopOne; fault != c.fault || r.e.latch.stopDoubt != c.fault || !fault && r.e.latch.state != Tripped {
				t.Errorf("%s, %v first: %v because of %v, in doubt %v", c.name, first, r.e.latch.state, r.e.latch.why, r.e.latch.stopDoubt)
			}
			if !c.fault {
				continue
			}
			r.stopping(t, "A+ B+ 1000", first)
			if bar := r.e.latch.resetBar(r.now); bar != ReasonEStopOne {
				t.Errorf("%s, %v first: a reset meets %v before both opened", c.name, first, bar)
			}
			r.stopping(t, "A- B- 100 A+ B+ 1000", first)
			if bar := r.e.latch.resetBar(r.now); bar == ReasonEStopOne || bar == ReasonEStop {
				t.Errorf("%s, %v first: a reset meets %v when both had opened", c.name, first, bar)
			}
		}
	}
}

// What the other contact did while nobody looked is not known: no fault is made of it.
func TestAPressBehindAStallIsNoFault(t *testing.T) {
	r := bases(t)[1].twin(t)
	r.land()
	r.stopping(t, "A- 10", EStopA)
	r.now += 300 * time.Millisecond
	r.step(Input{Kind: HostInput, Host: HostHeldUp, Seq: 300})
	r.stopping(t, "A+ 2000", EStopA)
	if r.e.latch.state != Tripped || r.e.latch.stopDoubt {
		t.Errorf("%v because of %v, in doubt %v", r.e.latch.state, r.e.latch.why, r.e.latch.stopDoubt)
	}
}

// With one contact on the pad there is no second one to wait for.
func TestOneContactAloneIsNoFault(t *testing.T) {
	r := newRig(t, exploreEnvelope, func(s *Site) { s.Fitted[EStopB] = false })
	r.set(rules.Tension, 500, rules.Good)
	r.set(rules.ESCFailures, 0, rules.Good)
	r.live()
	r.stopping(t, "A- 100 A+ 1000", EStopA)
	if r.e.latch.state != Tripped || r.e.latch.stopDoubt {
		t.Errorf("%v because of %v", r.e.latch.state, r.e.latch.why)
	}
}
