package main

import (
	"errors"
	"sync"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/day/guard"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/session"
)

// The story of the demo: a day at a made-up meadow. A first run ends in a
// controlled stop because of a gust, a second one is cut because the autopilot
// climbs away.

const (
	hoverAt  = 2.0 // m
	demoGust = 9.0 // m/s on top of the mean
)

// moments are when the demo made things happen, to be told against when the
// guard saw them. The crew writes them while the guard's loop asks.
type moments struct {
	mu            sync.Mutex
	gust, runaway time.Duration
}

func (m *moments) note(which *time.Duration, now time.Duration) {
	m.mu.Lock()
	defer m.mu.Unlock()
	*which = now
}

// began returns when gust and runaway began, 0 for what has not yet.
func (m *moments) began() (gust, runaway time.Duration) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.gust, m.runaway
}

// pressFor is how long the crew holds a button: longer than a busy computer
// lets the guard's loop wait, or the press would go unseen.
const pressFor = 700 * time.Millisecond

func state(want string) func(time.Duration, *told.Status) bool {
	return func(_ time.Duration, s *told.Status) bool { return s.State == want }
}

// declareDemo tells the guard what only the crew knows, as the test card asks.
func declareDemo(g *guard.Guard) error {
	var errs []error
	for _, d := range []session.Declaration{
		{What: session.DeclaredInspection, Step: "blade clearance", Value: "52 mm", Initials: "AB"},
		{What: session.DeclaredInspection, Step: "fasteners", Value: "pass", Initials: "AB"},
		{What: session.DeclaredInspection, Step: "first power-up", Value: "pass", Initials: "CD"},
		{What: session.DeclaredPacks, Packs: []string{"A", "B"}},
		{What: session.DeclaredStep, Step: "ballast 12"},
	} {
		d.By = "the demo"
		_, err := g.Declare(d)
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

// story is the crew's part.
func story(t *teller, c *craftmodel.Craft, b *virtual.Board, g *guard.Guard, m *moments) []scene {
	var at time.Duration // of the last act
	after := func(d time.Duration) func(time.Duration, *told.Status) bool {
		return func(now time.Duration, _ *told.Status) bool { return now-at >= d }
	}
	both := func(a, b func(time.Duration, *told.Status) bool) func(time.Duration, *told.Status) bool {
		return func(now time.Duration, s *told.Status) bool { return a(now, s) && b(now, s) }
	}
	// next tells what somebody does or what happens, and does it.
	next := func(until func(time.Duration, *told.Status) bool, waiting, who, says string, act func(now time.Duration) error) scene {
		return scene{until, waiting, func(now time.Duration, _ *told.Status) error {
			at = now
			if says != "" {
				t.tell(now, who, says)
			}
			return act(now)
		}}
	}
	do := func(events ...craftmodel.Event) func(time.Duration) error {
		return func(time.Duration) error {
			for _, e := range events {
				if err := c.Do(e); err != nil {
					return err
				}
			}
			return nil
		}
	}
	// press works a button: on now, off in the next scene.
	press := func(name, says string) scene {
		return next(after(400*time.Millisecond), "a moment", "crew", says, func(time.Duration) error { return b.Press(name) })
	}
	release := func(name string) scene {
		return next(after(pressFor), "a moment", "", "", func(time.Duration) error { return b.Release(name) })
	}
	hovering := func(time.Duration, *told.Status) bool {
		s := c.Truth()
		return s.Height > hoverAt-0.15 && s.Climb < 0.2
	}
	overAndDone := func(_ time.Duration, s *told.Status) bool { return !s.Armed && !s.KeepOut }
	climb := do(craftmodel.Event{Act: craftmodel.Arm}, craftmodel.Event{Act: craftmodel.ClimbTo, Value: hoverAt})
	return []scene{
		{after(1500 * time.Millisecond), "the first look", func(now time.Duration, s *told.Status) error {
			at = now
			t.tell(now, "crew", "Why not ready?")
			for _, why := range s.NotReady {
				t.list(why)
			}
			return nil
		}},
		next(after(time.Second), "a moment", "crew", "Declares step \"ballast 12\", packs A and B, and what was inspected.",
			func(time.Duration) error { return declareDemo(g) }),
		next(after(time.Second), "a moment", "crew", "Pad searched, nobody inside. Gate closed.",
			func(time.Duration) error { return b.CloseContact("gate") }),
		press("reset", "Reset, in view of the pad."),
		release("reset"),
		next(state("ready"), "ready", "", "", do()),
		press("start", "Everybody clear. Start: the horn sounds, the chain is tested."),
		release("start"),
		next(state("live"), "live", "crew", "Arm, and climb to 2 m with 12 kg of ballast.", climb),
		next(both(after(3*time.Second), hovering), "the hover", "craft", "Hovers at 2 m.", do()),
		next(after(1500*time.Millisecond), "a moment", "wind", "A gust comes up over the hedge.", func(now time.Duration) error {
			m.note(&m.gust, now)
			return c.Do(craftmodel.Event{Act: craftmodel.Gust, Value: demoGust, For: 5 * time.Second})
		}),
		next(state("lowering"), "the guard to ask for it", "crew", "\"Bring it down\" sounds. The pilot lands.", do(craftmodel.Event{Act: craftmodel.LandNow})),
		next(state("tripped"), "the end of the lowering", "", "", do()),
		next(overAndDone, "disarmed and rotors at rest", "guard", "Disarmed and rotors at rest: the keep-out is over.", do()),
		press("reset", "Ballast checked, pad searched. Reset."),
		release("reset"),
		next(state("ready"), "ready", "", "", do()),
		press("start", "Everybody clear. Start of the second run."),
		release("start"),
		next(state("live"), "live", "crew", "Arm, and climb again.", climb),
		next(both(after(2*time.Second), hovering), "the hover", "craft", "The autopilot goes wrong: full climb, and nobody asked for it.", func(now time.Duration) error {
			m.note(&m.runaway, now)
			return c.Do(craftmodel.Event{Act: craftmodel.Runaway, Value: 1})
		}),
		next(state("tripped"), "the cut", "", "", do()),
		next(overAndDone, "disarmed and rotors at rest", "craft", "Lies on the ground, disarmed, rotors at rest.", do(craftmodel.Event{Act: craftmodel.ClearFaults})),
		press("reset", "Pad searched. Reset, and that is enough for today."),
		release("reset"),
		next(after(500*time.Millisecond), "a moment", "", "", do()),
	}
}
