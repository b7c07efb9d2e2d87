package guard

import (
	"fmt"
	"slices"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/records/limitproof"
	"downhaul/interlock/records/plain"
	"downhaul/interlock/records/prooftest"
	"downhaul/interlock/records/stopping"
	"downhaul/rules"
)

// standing is what commissioning says of this pad when the guard starts.
type standing struct {
	prooftest.Standing
	trouble []error
	records []*prooftest.Record
	machine string
}

// commissioned reads the records and tells the engine by host events, so that
// a replay is told the same: which proof tests are due, whether the limits were
// proved where the pad asks for it, and the stop time.
func (g *Guard) commissioned(wall time.Time) error {
	if g.pad.Duty != interlock.Guard {
		return nil
	}
	records, trouble, err := prooftest.Records(g.pad.LogFolder)
	if err != nil {
		return err
	}
	machine := prooftest.Machine(g.pad)
	g.proofs = standing{prooftest.Stand(g.pad, records, wall, machine), trouble, records, machine}
	g.due.Store(new([]string))
	if g.pad.Commission.Required {
		for _, p := range g.proofs.Proofs {
			if p.Due() {
				g.proofDue(uint32(p.Test), p.Says())
			}
		}
	}
	if g.pad.Proof.Required {
		proved, trouble, err := limitproof.Records(g.pad.LogFolder)
		if err != nil {
			return err
		}
		g.proofs.trouble = append(g.proofs.trouble, trouble...)
		stop, _ := g.stops.counts().Known(g.pad, "")
		if due := limitproof.Due(g.pad, g.env, g.opts.Software, g.pad.Reaction(stop.Thrust), proved); due != "" {
			g.proofDue(limitproof.Number, due)
		}
	}
	return nil
}

// tellStop tells the engine when the rotors stand and when the thrust is gone
// after an opening. A rehearsal keeps what its file states: a modelled contactor
// proves nothing.
func (g *Guard) tellStop(s stopping.Times) {
	if g.pad.Rehearses() {
		return
	}
	ms := func(d time.Duration) uint32 { return uint32(rules.RoundUp(d) / time.Millisecond) }
	g.loop.tell(intake.HostMessage{Host: interlock.HostStopTime, On: s.Rotors.Measured, Seq: ms(s.Rotors.Standing),
		Text: fmt.Sprintf("rotors stand %s after the relay's opening (%s)", rules.FormatDuration(rules.RoundUp(s.Rotors.Standing)), s.Rotors.Says())})
	g.loop.tell(intake.HostMessage{Host: interlock.HostReaction, On: true, Seq: ms(g.pad.Reaction(s.Thrust)),
		Text: fmt.Sprintf("thrust is gone %s after the relay's opening (%s)", rules.FormatDuration(rules.RoundUp(s.Thrust.Gone)), s.Thrust.Says())})
}

// proofDue refuses every start from now on.
func (g *Guard) proofDue(number uint32, says string) {
	for {
		was := g.due.Load()
		due := append(slices.Clone(*was), says)
		if g.due.CompareAndSwap(was, &due) {
			break
		}
	}
	g.loop.Host(intake.HostMessage{Host: interlock.HostProof, On: true, Seq: number, Text: says})
}

// proofsComeDue reports when a test comes due while the guard runs, by the engine's clock: a
// stepped time of day changes nothing here.
func (g *Guard) proofsComeDue(now time.Duration) {
	if g.pad.Duty != interlock.Guard || !g.pad.Commission.Required {
		return
	}
	for i := range g.proofs.Proofs {
		if p := &g.proofs.Proofs[i]; !p.Due() && p.Left <= now {
			p.Left = 0
			g.proofDue(uint32(p.Test), p.Says())
		}
	}
}

// dueTests are the proof tests that keep this guard from being ready.
func (g *Guard) dueTests() []string {
	if due := g.due.Load(); due != nil {
		return *due
	}
	return nil
}

// openingProofs is what is to be said of them at the start.
func (g *Guard) openingProofs() []string {
	var lines []string
	if g.pad.Duty == interlock.Guard && !g.pad.Commission.Required {
		lines = append(lines, "downhauld: a rehearsal: no proof tests are asked for")
	}
	for _, err := range g.proofs.trouble {
		lines = append(lines, "downhauld: "+err.Error())
	}
	if says, set := plain.Clock(); g.proofs.ClockBehind {
		lines = append(lines, "downhauld: the clock stands before the newest commissioning; set it, or the age of proof tests is not known")
	} else if !set {
		lines = append(lines, "downhauld: the clock is "+says+". Set it by a phone's network or timedatectl: dates, and how old proof tests and inspections are, go by it")
	}
	if was := g.proofs.Elsewhere; was != "" {
		lines = append(lines, "downhauld: the last proof tests were "+was+": they do not count here")
	}
	if bad := g.stops.bad.Load(); bad != nil {
		lines = append(lines, "downhauld: "+*bad)
	}
	for _, text := range g.dueTests() {
		lines = append(lines, "downhauld: "+text+"; start is refused")
	}
	return lines
}
