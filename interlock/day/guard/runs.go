package guard

import (
	"slices"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"
)

// runBook puts every run on record: one start to its end, with the step and the
// packs that were declared before it. It belongs to the keeper's writer.
type runBook struct {
	// envelope and card are the hashes of what runs, in hex.
	envelope, card string
	// ran hears of every run that ended; nil is nobody.
	ran func(session.Run)
	// aloft is when the craft was last seen in the air, in engine time; nil is never.
	aloft func() time.Duration

	step  string
	packs []string
	count int
	open  session.Run // Number 0: none
	begun bool        // its begin is on record
	over  bool        // it ended in this batch
}

// aloftAgo is how long before the power went off the craft may last have been seen in the
// air and counts as there: several of the loop's snapshots, and less than the agreement
// that makes it landed.
const aloftAgo = time.Second

// heard takes what somebody declared.
func (b *runBook) heard(m intake.HostMessage) {
	if m.Host != interlock.HostDeclared {
		return
	}
	switch d, _ := session.ParseDeclaration(m.Text); d.What {
	case session.DeclaredStep:
		b.step = d.Step
	case session.DeclaredPacks:
		b.packs = d.Packs
	case session.DeclaredSafe:
		b.step, b.packs = "", nil
	}
}

// saw takes a decision.
func (b *runBook) saw(f *interlock.Effect) {
	live := func(s interlock.State) bool { return s == interlock.Live || s == interlock.Lowering }
	switch {
	case f.Kind == interlock.TripEffect && b.open.Number > 0:
		b.open.Trips++
	case f.Kind != interlock.StateEffect:
	case live(f.State) && !live(f.From):
		b.count++
		b.open = session.Run{Number: b.count, Step: b.step, Packs: slices.Clone(b.packs), Envelope: b.envelope, Card: b.card, Begin: f.At}
		if b.open.Packs == nil {
			b.open.Packs = []string{}
		}
		b.begun, b.over = false, false
	case live(f.From) && !live(f.State) && b.open.Number > 0:
		b.open.How, b.open.Ended, b.open.End, b.over = f.State.String(), true, f.At, true
		b.open.Fell = f.Reason != interlock.ReasonDown && b.aloft != nil && b.aloft() > max(b.open.Begin, f.At-aloftAgo)
	}
}

// writeRuns writes down what the last batch began or ended. A trip's own record may
// stand behind the move of the latch, so this comes after all of a batch.
func (k *keeper) writeRuns(at time.Duration) {
	b := &k.runs
	if b.open.Number == 0 {
		return
	}
	note := func(text string) {
		k.failed("trip log", k.log.Append(triplog.Line{At: at, Kind: triplog.KindNote, State: k.state.String(), Text: text}, false))
	}
	if !b.begun {
		b.begun = true
		began := b.open
		began.Ended, began.How, began.Trips = false, "", 0
		note(began.BeginText())
	}
	if b.over {
		note(b.open.EndText())
		ended := b.open
		b.open, b.over = session.Run{}, false
		if b.ran != nil {
			b.ran(ended)
		}
	}
}
