package derived

import (
	"testing"
	"time"

	"downhaul/rules"
)

func TestLinkLag(t *testing.T) {
	r := newRig(t, whole(), rules.LinkLag)
	boot := func(at, late time.Duration) {
		r.put(at, rules.CraftBootClock, seconds(at-late)+1234.5)
	}
	boot(0, ms(300))
	r.wantGood(t, rules.LinkLag, 0, 0) // the constant part cannot be seen
	boot(ms(250), ms(420))
	r.wantGood(t, rules.LinkLag, 0.12, 1e-9)
	boot(ms(500), ms(200)) // a new least
	r.wantGood(t, rules.LinkLag, 0, 1e-9)
	for at := ms(750); at < 580*time.Second; at += ms(250) {
		boot(at, ms(350))
	}
	r.wantGood(t, rules.LinkLag, 0.15, 1e-9)
	for at := 580 * time.Second; at < 601*time.Second; at += ms(250) {
		boot(at, ms(350))
	}
	r.wantGood(t, rules.LinkLag, 0, 1e-9) // ten minutes on the least is another
	r.miss(601*time.Second, rules.CraftBootClock, rules.Implausible)
	r.wantMissing(t, rules.LinkLag, rules.InputMissing)
	boot(602*time.Second, ms(450))
	r.wantGood(t, rules.LinkLag, 0.1, 1e-9)
	boot(90*time.Minute, ms(450)) // after a silence longer than the window
	r.wantGood(t, rules.LinkLag, 0, 1e-9)
}

func TestLinkLagRestart(t *testing.T) {
	r := newRig(t, whole(), rules.LinkLag)
	r.put(0, rules.CraftBootClock, 100)
	r.put(ms(1000), rules.CraftBootClock, 101)
	r.put(ms(1500), rules.CraftBootClock, 100.2) // out of order: late, no restart
	r.wantGood(t, rules.LinkLag, 1.3, 1e-9)
	r.put(ms(2000), rules.CraftBootClock, 99.9) // more than a second back
	r.wantGood(t, rules.LinkLag, 0, 0)
	r.put(ms(2500), rules.CraftBootClock, 100.3)
	r.wantGood(t, rules.LinkLag, 0.1, 1e-9)
}
