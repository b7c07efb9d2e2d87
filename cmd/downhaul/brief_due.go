package main

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/answers/ask"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/flown"
	"downhaul/interlock/records/ledger"
	"downhaul/interlock/records/limitproof"
	"downhaul/interlock/records/prooftest"
	"downhaul/interlock/records/timeofday"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/words"
)

// briefing is a sheet in the making.
type briefing struct {
	*sheet
	found  *checked
	pad    *pad.Pad
	card   *card.Card // nil without one
	step   *card.Step // nil without a card
	env    *rules.Envelope
	status *told.Status // of the guard that runs, nil for none
	start  string       // what to do where no guard was asked
	slack  string       // how much rope may lie loose; empty is not known
	files  *answers.Files
	hovers []flown.Hover
	// last is the newest report's record of this craft, nil without one.
	last         *flown.Record
	forecast     *card.Reserve
	forecastMade time.Time
}

// records reads what reports found, and asks the guard that runs on this pad.
func (b *briefing) records() {
	if b.card != nil {
		b.Craft = b.card.Craft.Name
		records, trouble, err := flown.Records(b.pad.LogFolder, b.Craft, b.pad.Mark())
		for _, r := range records {
			b.hovers = append(b.hovers, r.Hovers...)
			b.last = r
		}
		b.trouble(errors.Join(append(trouble, err)...))
	}
	if b.pad.Socket == "" {
		b.unasked("the pad file names no socket to ask a guard at")
		return
	}
	status, err := ask.Once(b.pad.Socket)
	var reply answers.Reply
	if err == nil {
		reply, err = ask.Guard(b.pad.Socket, answers.Request{Do: "files"})
	}
	if err != nil || reply.Files == nil {
		b.unasked("no guard answers")
		return
	}
	b.status, b.files = status, reply.Files
	b.Guard = "As the guard saw it at " + timeofday.Day(b.Made) + "."
}

// unasked writes what the sheet is worth without a guard, and what to do.
func (b *briefing) unasked(why string) {
	b.Guard = strings.ToUpper(why[:1]) + why[1:] + ": nothing here is enforced yet. Not asked: declarations, craft, input lines, disk, reset."
	b.start = "start the guard (" + pick(b.pad.Board.Kind.Models(), "downhauld-bench", "downhauld") + " --pad FILE), then print this anew"
}

func (b *briefing) trouble(err error) {
	if err != nil {
		b.Before = append(b.Before, "a record cannot be read: "+err.Error())
	}
}

// choose finds the step that is to come.
func (b *briefing) choose(name string) error {
	switch {
	case b.card == nil && name != "":
		return hint(errors.New("--step names a step of a test card"), "name the card among the files")
	case b.card == nil:
		return nil
	case name == "" && b.status != nil:
		name = b.status.Declared.Step
	}
	if name != "" {
		step, ok := b.card.Step(name)
		if !ok {
			return fmt.Errorf("the test card has no step %q", name)
		}
		b.step = step
	}
	for i := range b.card.Steps {
		s := &b.card.Steps[i]
		hovered := slices.ContainsFunc(b.hovers, func(h flown.Hover) bool { return strings.EqualFold(h.Step, s.Name) })
		if b.step == nil && s.Kind == card.Flight && !hovered {
			b.step = s
		}
	}
	if b.step == nil {
		return hint(errors.New("every step that flies has hovered, by the reports"), "say which is to come: --step NAME")
	}
	b.Step, b.Asks = b.step.Name, asks(b.step, b.card)
	if b.last != nil {
		for i := range b.last.Reserves {
			if r := &b.last.Reserves[i]; strings.EqualFold(r.Step, b.Step) {
				b.forecast, b.forecastMade = r, b.last.Made
			}
		}
	}
	return nil
}

// due lists what must be done before the start: by the guard that runs on exactly these
// files, or by the records alone.
func (b *briefing) due() {
	b.defects()
	if b.card != nil {
		b.Crew = append(b.Crew, b.step.ForCrew(b.pad.Wind.Fitted)...)
	}
	if b.status != nil {
		if sha256.Sum256([]byte(b.files.Envelope)) == b.env.Hash && sha256.Sum256([]byte(b.files.Pad)) == b.pad.Hash {
			for _, x := range b.status.NotReady {
				if !slices.Contains(b.Before, x) {
					b.Before = append(b.Before, x)
				}
			}
			return
		}
		b.status = nil
		b.unasked("a guard runs on other files than these")
	}
	b.Before = append(b.Before, b.start)
	if b.card != nil {
		b.Before = append(b.Before, b.step.Needs...)
		for _, x := range words.Conditions(b.step) {
			if !slices.Contains(b.Crew, x) {
				b.Before = append(b.Before, x)
			}
		}
	}
	if b.pad.Duty != interlock.Guard {
		return
	}
	if b.pad.Commission.Required {
		records, trouble, err := prooftest.Records(b.pad.LogFolder)
		b.trouble(errors.Join(append(trouble, err)...))
		var due []string
		for _, p := range prooftest.Stand(b.pad, records, b.Made, prooftest.Machine(b.pad)).Proofs {
			if p.Due() {
				due = append(due, strings.TrimPrefix(p.Says(), "proof test due: "))
			}
		}
		if len(due) > 0 {
			b.Before = append(b.Before, "proof tests due: "+strings.Join(due, "; ")+" (downhaul commission)")
		}
	}
	if b.pad.Proof.Required {
		proved, trouble, err := limitproof.Records(b.pad.LogFolder)
		b.trouble(errors.Join(append(trouble, err)...))
		stop, _ := b.found.stop()
		if due := limitproof.Due(b.pad, b.env, guard.Software(), b.pad.Reaction(stop.Thrust), proved); due != "" {
			b.Before = append(b.Before, due)
		}
	}
}

// defects takes what the ledger holds open, and what may wait.
func (b *briefing) defects() {
	book, err := ledger.Read(b.pad.LogFolder, guard.Software())
	if err != nil {
		b.trouble(err)
		return
	}
	records, trouble, err := prooftest.Records(b.pad.LogFolder)
	b.trouble(errors.Join(append(trouble, err)...))
	items, _ := book.Items(b.Made, ledger.ByCommission(b.pad, records, prooftest.Machine(b.pad)))
	for i := range items {
		switch it := &items[i]; {
		case it.Holds != "":
			b.Before = append(b.Before, it.Holds)
		case strings.HasPrefix(it.Done, "watched"):
			b.Watched = append(b.Watched, fmt.Sprintf("%d, %s (%s)", it.Number, it.Text, it.Done))
		}
	}
}

// weather is every limit on the wind, and the wind now.
func (b *briefing) weather() {
	say := func(format string, args ...any) { b.Weather = append(b.Weather, fmt.Sprintf(format, args...)) }
	for i := range b.env.Permissives {
		if p := &b.env.Permissives[i]; p.Watch.OfWind() && b.pad.Fed(p.Watch) != rules.NotFed {
			say("to start, %s", p.Condition())
		}
	}
	if b.step != nil && b.step.Shown.HasWind {
		say("for this step, %s", b.step.CalmEnough())
	}
	for i := range b.env.Rules {
		if r := &b.env.Rules[i]; r.Watch.OfWind() && b.pad.Fed(r.Watch) != rules.NotFed {
			say("%s when %s %s", map[rules.Stop]string{rules.Immediate: "power off", rules.Controlled: "brought down", rules.NoStop: "caution"}[r.Stop], r.Watch, words.Condition(r))
		}
	}
	if len(b.Weather) == 0 {
		say("no limit on the wind is enforced here: agree one, and write it down")
	}
	b.WindAsk = "read it by hand"
	if b.status == nil {
		return
	}
	b.WindAsk = "the guard hears none: read it by hand"
	var now []string
	for _, c := range b.status.Channels {
		if ch, ok := rules.Lookup(c.Channel); ok && ch.ID.OfWind() && c.Value != nil {
			now = append(now, c.Channel+" "+c.Text)
		}
	}
	if w := b.status.Declared.Wind; w != nil {
		now = append(now, w.Text+" read by hand, declared, not measured")
	}
	if len(now) > 0 {
		b.WindNow = strings.Join(now, ", ") + " at " + timeofday.Clock(b.Made)
	}
}
