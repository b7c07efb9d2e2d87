package rehearsal

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/plain"
	"downhaul/rules"
	"downhaul/rules/card"
)

// happen does what the scenario has for now, and ends the flight behind it.
func (f *flight) happen(at time.Duration) error {
	for f.next < len(f.scenario.Events) && f.scenario.Events[f.next].At <= at {
		e := f.scenario.Events[f.next]
		f.next++
		if e.Act == craftmodel.End || e.Text == onTheGround {
			continue
		}
		if mishap(e) && f.mishapAt < 0 {
			f.mishapAt, f.result.Mishap = f.now, true
		}
		if f.crew.landAt > 0 && (e.Act == craftmodel.ClimbTo || e.Act == craftmodel.Arm || e.Act == craftmodel.Hold) {
			continue // the pilot has other orders now
		}
		if !f.setup.Quiet {
			who, says := inWords(e)
			f.say(f.now, who, says)
		}
		if e.Act == craftmodel.PadAct {
			if err := f.atPad(e.Text); err != nil {
				return err
			}
			continue
		}
		if err := f.craft.Do(e); err != nil {
			return err
		}
	}
	t := f.craft.Truth()
	if at < f.scenario.End {
		f.over = f.brief && t.OnGround && f.openSince >= 0 && f.now-f.openSince > settled && f.mishapAt >= 0
		return nil
	}
	if down := t.OnGround && t.Thrust < 0.05*f.setup.weight(); f.setup.Craft.Step.Stand != nil || down && at > f.scenario.End+time.Second || at > f.scenario.End+ending {
		f.over = true
	} else if f.crew.landAt == 0 {
		f.crew.landAt, f.crew.landed = f.now, true
		f.say(f.now, "pilot", "Lands.")
		return f.craft.Do(craftmodel.Event{Act: craftmodel.LandNow})
	}
	return nil
}

// inWords returns who does an event, and how the timeline says it.
func inWords(e craftmodel.Event) (who, says string) {
	mark, isMark := strings.CutPrefix(e.Text, "mark ")
	switch {
	case isMark:
		return "crew", "Marks: " + mark + "."
	case mishap(e):
		return "mishap", tell(e)
	case e.Act == craftmodel.PadAct:
		return "crew", tell(e)
	case e.Act == craftmodel.OutputTo:
		return "craft", "Order: output " + rules.Format(e.Value, "%") + "."
	}
	return "craft", "Order: " + e.Act.String() + "."
}

// mishap reports whether an event is no part of a flight as it was meant.
func mishap(e craftmodel.Event) bool {
	switch e.Act {
	case craftmodel.Arm, craftmodel.Disarm, craftmodel.ClimbTo, craftmodel.Hold, craftmodel.LandNow, craftmodel.Say, craftmodel.MeanWind, craftmodel.ClearFaults, craftmodel.OutputTo, craftmodel.Hang, craftmodel.End:
		return false
	case craftmodel.PadAct: // what the crew does on a good day
		return !strings.HasPrefix(e.Text, "mark ") && e.Text != "press end" && e.Text != "release end"
	}
	return true
}

func tell(e craftmodel.Event) string {
	if name, ok := strings.CutPrefix(e.Text, "break "); ok && virtual.FaultSays(name) != "" {
		return virtual.FaultSays(name) + "."
	}
	if e.Text != "" {
		return e.Text + "."
	}
	return e.Act.String() + "."
}

// onTheGround is what a scenario says at the pad where no step that flies is declared.
const onTheGround = "a step on the ground"

// ground returns the step on the ground that a scenario wants declared: the card's last that
// has limits of its own, nil without one; asked is false where it wants none.
func (s *Setup) ground(scenario *craftmodel.Scenario) (step *card.Step, asked bool) {
	if !slices.ContainsFunc(scenario.Events, func(e craftmodel.Event) bool { return e.Act == craftmodel.PadAct && e.Text == onTheGround }) {
		return nil, false
	}
	c, _ := card.Read(s.original.Card.Name, s.original.Card.Text) // read without a fault before
	for i := range c.Steps {
		if c.Steps[i].Kind == card.Ground && c.Steps[i].Envelope != "" {
			step = &c.Steps[i]
		}
	}
	return step, true
}

// onGround returns the set-up with the limits and the name of that step.
func (s *Setup) onGround(step *card.Step) (*Setup, error) {
	files := s.original
	name := filepath.Join(filepath.Dir(files.Card.Name), step.Envelope)
	text, err := plain.Read(name, plain.Setup)
	if err != nil {
		return nil, err
	}
	files.Envelope = guard.File{Name: name, Text: text}
	checked, faults := files.Check()
	if len(faults) > 0 {
		return nil, faults
	}
	own := &Setup{Craft: s.Craft, original: files, step: s.step, place: s.place, held: s.held, Quiet: s.Quiet, declares: step.Name}
	return own, own.make(checked, filepath.Dir(s.Files.Pad.Name))
}

// atPad does what happens at the pad.
func (f *flight) atPad(text string) error {
	w := strings.Fields(text)
	if len(w) == 2 {
		do := map[string]func(string) error{"press": f.board.Press, "release": f.board.Release, "open": f.board.OpenContact, "close": f.board.CloseContact, "break": f.board.Break, "mend": f.board.Mend}[w[0]]
		if do != nil {
			return do(w[1])
		}
	}
	var d time.Duration
	if i := len(w) - 2; i > 0 {
		d, _ = time.ParseDuration(w[i] + w[i+1])
	}
	mark, isMark := strings.CutPrefix(text, "mark ")
	switch {
	case strings.HasPrefix(text, "see "): // a word for the timeline
	case isMark && f.told != nil: // of a live rehearsal the crew stamps its own
	case isMark:
		return f.guard.Mark(mark, "the rehearsal")
	case text == "guard cannot write", text == "guard writes again":
		f.full = text == "guard cannot write"
	case text == "guard dies":
		f.paused = math.MaxInt64
	case strings.HasPrefix(text, "guard pauses ") && d > 0:
		f.paused = f.now + d
	case strings.HasPrefix(text, "reach lets go late by ") && d > 0:
		f.late = d
	case text == "telemetry doubles":
		f.doubled = true
	case text == "a stranger sends":
		cfg := f.config
		cfg.System ^= 0x55
		if cfg.System == 0 {
			cfg.System = 1
		}
		var err error
		if f.stranger, err = craftmodel.New(cfg); err == nil {
			f.stranger.Advance(f.now)
			f.stranger.Frames(nil)
		}
		return err
	default:
		return fmt.Errorf(`at the pad: nothing is called %q; there are press, release, open, close, break and mend with a name, "guard dies", "guard pauses 2 s", "guard cannot write", "guard writes again", "mark TEXT", "reach lets go late by 1 s", "telemetry doubles" and "a stranger sends"`, text)
	}
	return nil
}

func (f *flight) say(at time.Duration, who, says string) {
	line := Line{at, who, says}
	f.result.Timeline = append(f.result.Timeline, line)
	if f.told != nil {
		f.told(line)
	}
}
