package rehearsal

import (
	"fmt"
	"math"
	"strings"
	"time"

	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/session"
	"downhaul/rules"
	"downhaul/rules/card"
)

// How the played crew acts; ours: a practised crew.
const (
	crewPeriod = 50 * time.Millisecond
	holdFor    = 700 * time.Millisecond // a button
	moment     = 400 * time.Millisecond
	hears      = time.Second // from a sound to the pilot's hand
	patience   = 60 * time.Second
	settled    = 3 * time.Second  // without power on the ground: nothing comes behind it
	ending     = 25 * time.Second // for the craft to come down and disarm, behind the scenario's end
)

// scene is one step of the crew: it waits for something and then acts.
type scene struct {
	until   func(now time.Duration, state string) bool
	waiting string
	act     func(now time.Duration) error
}

// crew works the pad by what it sees of the guard.
type crew struct {
	flight *flight
	scenes []scene
	since  time.Duration // of the last act
	// gaveUp is what the crew waited for in vain, and why it did not come.
	gaveUp string
	landAt time.Duration // when the pilot answers a sound; 0 is none heard
	landed bool
}

// status is what the guard of this flight tells people.
func (f *flight) status() *told.Status {
	runs := told.Setup{Pad: f.setup.Checked.Pad, Envelope: f.setup.Checked.Envelope}
	return runs.Status(f.guard.Seen())
}

func (c *crew) look(now time.Duration) error {
	state := c.flight.guard.State()
	c.pilot(now, state)
	if len(c.scenes) == 0 || c.gaveUp != "" {
		return nil
	}
	next := c.scenes[0]
	if !next.until(now, state) {
		if now-c.since > patience {
			s := c.flight.status()
			why := "nothing is said to hold it back"
			if len(s.NotReady) > 0 {
				why = strings.Join(s.NotReady, "; ")
			}
			c.gaveUp = fmt.Sprintf("%s; the guard is %s: %s", next.waiting, s.State, why)
		}
		return nil
	}
	c.scenes, c.since = c.scenes[1:], now
	return next.act(now)
}

// pilot brings the craft down when "bring it down" sounds.
func (c *crew) pilot(now time.Duration, state string) {
	switch {
	case c.landed || state != "lowering" && state != "tripped" && state != "fault":
	case c.landAt == 0:
		c.landAt = now + hears
	case now >= c.landAt:
		c.landed = true
		c.flight.say(now, "pilot", "Lands.")
		_ = c.flight.craft.Do(craftmodel.Event{Act: craftmodel.LandNow}) // an order without a value is never wrong
	}
}

// day is the crew's part up to the start.
func (c *crew) day() {
	f := c.flight
	after := c.after
	state := func(want string) func(time.Duration, string) bool {
		return func(_ time.Duration, state string) bool { return state == want }
	}
	add := func(until func(time.Duration, string) bool, waiting, says string, act func() error) {
		c.scenes = append(c.scenes, scene{until, waiting, func(now time.Duration) error {
			if says != "" {
				f.say(now, "crew", says)
			}
			return act()
		}})
	}
	nothing := func() error { return nil }
	press := func(name, says string) {
		add(after(moment), "a moment", says, func() error { return f.board.Press(name) })
		add(after(holdFor), "a moment", "", func() error { return f.board.Release(name) })
	}
	fitted := func(line string) bool { return f.setup.Checked.Pad.Board.Line(line).Fitted }
	add(after(time.Second), "a moment", "Declares step \""+f.setup.declared()+"\" and what the card asks for it.", f.declare)
	if f.setup.Craft.Step.Stand != nil {
		f.weigh(add, after)
	}
	if fitted("gate") {
		add(after(time.Second), "a moment", "Pad searched, nobody inside. Gate closed.", func() error { return f.board.CloseContact("gate") })
	}
	if fitted("hold") {
		add(after(moment), "a moment", "Holds the hold-to-run switch.", func() error { return f.board.Press("hold") })
	}
	press("reset", "Reset.")
	add(state("ready"), "ready", "", nothing)
	add(after(moment), "a moment", "Start.", func() error {
		f.pressed = f.now
		if f.scenario.From == "start" {
			f.zero, f.began = f.now, true
		}
		return f.board.Press("start")
	})
	add(after(holdFor), "a moment", "", func() error { return f.board.Release("start") })
	add(func(_ time.Duration, state string) bool { return state == "live" || f.began && f.over }, "live", "", func() error {
		if f.live = f.now; !f.began && f.scenario.From == "" {
			f.zero, f.began = f.now, true
		}
		return nil
	})
	if f.scenario.From != "hover" {
		return
	}
	c.scenes = append(c.scenes, c.climb(f.setup.Craft.Hover)...)
}

// after waits for so long behind the last scene.
func (c *crew) after(d time.Duration) func(time.Duration, string) bool {
	return func(now time.Duration, _ string) bool { return now-c.since >= d }
}

// climb is the pilot's part up to the hover, where the scenario begins.
func (c *crew) climb(hover float64) []scene {
	f := c.flight
	order := func(says string, e craftmodel.Event) scene {
		return scene{c.after(2 * moment), "a moment", func(now time.Duration) error {
			f.say(now, "crew", says)
			return f.craft.Do(e)
		}}
	}
	return []scene{
		order("Arm.", craftmodel.Event{Act: craftmodel.Arm}),
		order("Climb to the hover.", craftmodel.Event{Act: craftmodel.ClimbTo, Value: hover}),
		{func(now time.Duration, state string) bool {
			t := f.craft.Truth()
			return t.Height > 0.9*hover && math.Abs(t.Climb) < 0.25 && now-c.since > 3*time.Second || state != "live"
		}, "the hover", func(now time.Duration) error {
			f.zero, f.began = now, true
			if s := f.status(); s.State != "live" {
				c.gaveUp = "the hover; the guard is " + s.State + ": " + s.FirstCause
				return nil
			}
			f.say(now, "craft", "Hovers.")
			return nil
		}},
	}
}

// declare tells the guard what only the crew knows, as the test card asks.
func (f *flight) declare() error {
	c, step := f.setup.Checked.Card, f.setup.Craft.Step
	tell := func(d session.Declaration) error {
		d.By = "the rehearsal"
		_, err := f.guard.Declare(d)
		return err
	}
	for i := range c.Steps {
		s := &c.Steps[i]
		if s.Kind == card.Flight {
			continue
		}
		value := "pass"
		switch s.Limit.Form {
		case card.AtLeast, card.AtMost:
			value = rules.FormatExact(s.Limit.Value, s.Limit.Unit)
		}
		if err := tell(session.Declaration{What: session.DeclaredInspection, Step: s.Name, Value: value, Initials: "RE"}); err != nil {
			return err
		}
	}
	packs := step.Shown.Packs
	if len(packs) == 0 && len(c.Packs) > 0 {
		packs = []string{c.Packs[0].Name}
	}
	if len(packs) > 0 {
		if err := tell(session.Declaration{What: session.DeclaredPacks, Packs: packs}); err != nil {
			return err
		}
	}
	if step.Shown.HasWind {
		wind := math.Ceil(10*f.config.Wind) / 10
		if err := tell(session.Declaration{What: session.DeclaredWind, Value: fmt.Sprintf("%.1f m/s", wind)}); err != nil {
			return err
		}
	}
	return tell(session.Declaration{What: session.DeclaredStep, Step: f.setup.declared()})
}
