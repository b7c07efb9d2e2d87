package guard

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/records/flown"
	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/stopping"
	"downhaul/interlock/records/tiltcheck"
	"downhaul/rules"
	"downhaul/rules/card"
)

// declared is what the crew declared, and what the test card still asks. The engine is told by host
// events alone, so that a session replays without it; and by the loop alone (see tell), so that
// what is told last is what holds, and what stands first on record was declared first.
type declared struct {
	rate   rate
	stands atomic.Pointer[declaredStand] // nil until there is something to tell
	said   *ring[string]                 // declarations that the engine was not told yet

	card *card.Card // nil without one; as it was read
	// report is the record of a report that a forecast must not fall behind (see
	// reported), begin engine time 0 on the clock of what the card asks.
	report int
	begin  time.Duration
	// proof is what the openings on record prove of the stop; nil asks nothing, as in
	// a rehearsal. counted reports whether the contactor's openings are bounded.
	proof   atomic.Pointer[stopping.Proof]
	counted bool
	// The loop's own: what it last told the engine of, of the card, and of the step in
	// force, and how many declarations.
	toldOf   *declaredStand
	told     string
	ground   intake.HostMessage
	toldSaid uint64

	mu    sync.Mutex // of what follows, and among those who declare; the loop takes none
	facts card.Facts
	value string // the wind as it was typed
	air   string // the air, too
}

// declaredStand is what was declared by one time, for the loop.
type declaredStand struct {
	said   uint64 // how many declarations
	asks   []string
	ground intake.HostMessage
	output float64
	step   string
	packs  []string
	next   time.Duration // the engine time at which something lapses
}

// Bounds of a declaration; ours.
const (
	mostInitials = 10
	mostValue    = 60
	mostPacks    = 16
	mostSaid     = 64 // that wait for the loop
	tooFast      = "too many marks and declarations in a short time; wait a few seconds"
)

func hashOf(c *card.Card) string { return fmt.Sprintf("%x", c.Hash) }

// carded begins the list of facts: results and runs of the same craft in earlier sessions count on.
func (g *Guard) carded(c *card.Card, start time.Time, e *earlier) error {
	d := &g.declared
	d.said = newRing[string](mostSaid)
	d.facts.OwnWind, d.facts.Limits = g.pad.Wind.Fitted, g.env
	b := &g.keeper.runs
	b.envelope = fmt.Sprintf("%x", g.env.Hash)
	b.ran = g.flown
	b.aloft = func() time.Duration { return time.Duration(g.aloft.Load()) }
	d.counted = g.pad.Contactor.LoadOpenings > 0
	g.contactorWorn()
	g.tellTimes(1)
	if c == nil {
		e.Ladder = ladder{} // what this session's last one did is not in it
		return nil
	}
	b.card = hashOf(c)
	if err := g.remember(start, e); err != nil {
		return err
	}
	d.changed(0)
	d.tell(g)
	return nil
}

// retell takes declarations and runs of one earlier session, which flew by the card was, in order.
func (d *declared) retell(story *session.Story, info *session.Info, was *card.Card) {
	runs := story.Runs
	flown := func(before int) {
		for len(runs) > 0 && runs[0].After < before {
			r, at := &runs[0], whoKnows
			if r.Ended && strings.HasPrefix(info.Clocks.Wall, clockWas+"synchronised") {
				at = onCard(r.Wall.Add(r.End - r.Begin))
			}
			flew, _ := was.Step(r.Step)
			now, _ := d.card.Step(r.Step)
			if r.Step != "" {
				d.facts.Flew(card.Flown{Session: info.Session, Step: r.Step, Trips: r.Trips, BrokeOff: !r.Ended,
					Lighter: flew != nil && now != nil && (flew.Ballast < now.Ballast || was.Craft.Mass > 0 && was.Craft.Mass+flew.Ballast < d.card.Craft.Mass+now.Ballast)})
			}
			d.fell(r, at)
			runs = runs[1:]
		}
	}
	for j := range story.Declarations {
		flown(j + 1)
		x := &story.Declarations[j]
		d.result(x, onCard(x.Wall))
		if x.What == session.DeclaredSafe {
			d.facts.Fell = 0
		}
	}
	flown(len(story.Declarations) + 1)
}

// whoKnows stands for the time of a fall that no clock tells which was kept set.
const whoKnows time.Duration = 1

// fell takes a run whose power went off in the air, or whose end nobody saw, where the card
// asks for a wait then.
func (d *declared) fell(r *session.Run, at time.Duration) {
	if (r.Fell || !r.Ended) && d.card != nil && d.card.Craft.AfterCrash > 0 {
		d.facts.Fell = at
	}
}

// result takes the result of an inspection or a ground step, held against the
// limit that the card has now.
func (d *declared) result(x *session.Declaration, at time.Duration) {
	if x.What != session.DeclaredInspection || d.card == nil {
		return
	}
	s, ok := d.card.Step(x.Step)
	if !ok || s.Measured || s.Stopping {
		return
	}
	text, keeps, err := s.Limit.Judge(x.Value)
	if err != nil {
		return // the card asks for another kind of value now
	}
	r := card.Result{Step: s.Name, Passed: keeps, Text: text, At: at, Live: time.Duration(x.LiveS * float64(time.Second))}
	if !slices.EqualFunc(x.Packs, s.Shown.Packs, strings.EqualFold) {
		r.Live = 0 // hours of something else, as the card was then
	}
	d.facts.Results = append(d.facts.Results, r)
}

// reported returns what the reports found of a craft's flights: its hovers, and the last
// forecast with the number of its record. One that leaves out a session which record base
// rested on is none, and neither is any where that record is gone; base 0 is none.
func (g *Guard) reported(base int) (f card.Facts, number int, trouble []error, err error) {
	records, trouble, err := flown.Records(g.pad.LogFolder, g.declared.card.Craft.Name, g.session.Info.Mark)
	if err != nil {
		return f, 0, nil, err
	}
	var found []flown.Hover
	var rested []string
	there := base == 0
	for _, r := range records {
		// What a later report found of a session stands instead of what an earlier did.
		found = slices.DeleteFunc(found, func(h flown.Hover) bool { return slices.Contains(r.Sessions, h.Session) })
		found = append(found, r.Hovers...)
		if r.Number == base {
			there, rested = true, r.Sessions
		}
	}
	for _, h := range found {
		f.Hovers = append(f.Hovers, card.Hovered{Step: h.Step, Mass: h.MassKg, For: time.Duration(h.ForS * float64(time.Second))})
	}
	// Where the newest record cannot be read, an older one is no last report.
	if n := len(records); n > 0 && there && !numbered.LostSince(trouble, records[n-1].Number) {
		last := records[n-1]
		if !slices.ContainsFunc(rested, func(s string) bool { return !slices.Contains(last.Sessions, s) }) {
			f.Forecast, number = &card.Forecast{Sessions: last.Sessions, Reserves: last.Reserves}, last.Number
		}
	}
	return f, number, trouble, nil
}

// measured takes a check of the tilt response, for every step that asks for one.
func (d *declared) measured(r *tiltcheck.Record) {
	text := "every motor answers the right way"
	if !r.Passed {
		text = "the last check did not pass, record " + strconv.Itoa(r.Number) + " of tilt"
	}
	for i := range d.card.Steps {
		if s := &d.card.Steps[i]; s.Measured {
			d.facts.Results = append(d.facts.Results, card.Result{Step: s.Name, Passed: r.Passed, Text: text, At: onCard(r.Made)})
		}
	}
}

// changed works out what the card asks and when something lapses, and has the loop tell it
// in its next turn. The caller holds the lock.
func (d *declared) changed(now time.Duration) {
	asks, next := []string(nil), rules.Never
	if d.card != nil {
		d.facts.Now = d.begin + now
		if p := d.proof.Load(); p != nil {
			d.facts.Live, d.facts.PackLive = p.Worn.Live, map[string]time.Duration{}
			for _, w := range p.Packs {
				if pack, ok := d.card.Pack(w.Name); ok {
					d.facts.PackLive[pack.Name] += w.Live
				}
			}
			d.facts.Stop = &card.Stop{UpTo: p.UpTo(), Next: p.Next(d.output()), Counted: d.counted}
		}
		if asks, next = d.card.Unmet(&d.facts); next < rules.Never {
			next -= d.begin
		}
	}
	d.stands.Store(&declaredStand{d.said.given.Load(), asks, d.onGround(), d.output(), d.facts.Step, d.facts.Packs, next})
}

// lapse looks again once something that counted may have lapsed.
func (d *declared) lapse(now time.Duration) {
	if s := d.stands.Load(); s != nil && now >= s.next {
		d.mu.Lock()
		defer d.mu.Unlock()
		d.changed(now)
	}
}

// tell tells the engine what was declared and what the card asks, when that
// changed. It is called by the loop and waits for nobody.
func (d *declared) tell(g *Guard) {
	s := d.stands.Load()
	if s == d.toldOf {
		return
	}
	d.toldOf = s
	g.tellTimes(s.output)
	for ; d.toldSaid < s.said; d.toldSaid++ {
		g.loop.tell(intake.HostMessage{Host: interlock.HostDeclared, On: true, Text: *d.said.next()})
		d.said.done()
	}
	if d.card == nil || g.pad.Duty != interlock.Guard {
		return
	}
	if s.ground != d.ground && (s.ground.On || d.ground.On) {
		d.ground = s.ground
		g.loop.tell(s.ground)
	}
	text := "test card: everything it asks is met"
	if len(s.asks) > 0 {
		text = "test card: " + strings.Join(s.asks, "; ")
	}
	if text != d.told {
		d.told = text
		g.loop.tell(intake.HostMessage{Host: interlock.HostCard, On: len(s.asks) > 0, Text: text})
	}
}

// output returns the highest motor output that the step in force needs; where nothing flies, or
// nobody says what does, that is full output. The caller holds the lock.
func (d *declared) output() float64 {
	if d.card != nil {
		if s, ok := d.card.Step(d.facts.Step); ok && s.Kind == card.Flight {
			return s.Output
		}
	}
	return 1
}

// onGround returns what the engine must know of the step in force: whether it is done
// on the ground, and what its tie-down must pull. The caller holds the lock.
func (d *declared) onGround() intake.HostMessage {
	m := intake.HostMessage{Host: interlock.HostGround, Text: "the step in force is not done on the ground"}
	if d.card == nil || d.facts.Step == "" {
		return m
	}
	if s, ok := d.card.Step(d.facts.Step); ok && s.Kind == card.Ground {
		m.On, m.Seq, m.Text = true, uint32(math.Ceil(s.TieDownPull*1000)), s.Name+" is done on the ground: power goes off when the craft leaves it"
	}
	return m
}

// flown hears of a run that ended.
func (g *Guard) flown(r session.Run) {
	d := &g.declared
	now := g.now()
	d.mu.Lock()
	defer d.mu.Unlock()
	d.facts.Flew(card.Flown{Session: g.session.Info.Session, Step: r.Step, Trips: r.Trips})
	d.fell(&r, d.begin+now)
	d.changed(now)
}

// asking returns what the card still asks before a start.
func (d *declared) asking() []string {
	if s := d.stands.Load(); s != nil {
		return s.asks
	}
	return nil
}

// Declare takes a declaration, before a start only, and puts it on record. It
// says in a few words what it came to.
func (g *Guard) Declare(x session.Declaration) (says string, err error) {
	d := &g.declared
	// A report may have been made since the guard started. One that cannot be
	// read now counts as none. A slow disk must not hold up who asks for the status.
	var report card.Facts
	if x.What == session.DeclaredStep && d.card != nil {
		report, _, _, _ = g.reported(d.report)
	}
	if err := g.beforeStart(); err != nil {
		return "", err
	}
	if x.What == session.DeclaredStop {
		says, err = g.declareStop(&x)
	}
	at := g.now()
	d.mu.Lock()
	defer d.mu.Unlock()
	if x.What == session.DeclaredConfirm || x.What == session.DeclaredBallast {
		x.Step = d.facts.Step // what another client declares meanwhile is another step
	}
	if x.What != session.DeclaredStop {
		says, err = d.complete(&x, g.env.Units)
	}
	if err != nil {
		return "", err
	}
	room := d.said.room()
	if room == nil {
		return "", errors.New("the guard's loop stands still, and hears of nothing: end it")
	}
	switch x.What {
	case session.DeclaredStep:
		d.facts.Step, d.facts.Hovers, d.facts.Forecast = x.Step, report.Hovers, report.Forecast
		d.facts.Confirmed, d.facts.HasWeighed = nil, false
	case session.DeclaredConfirm:
		if err := d.facts.Confirm(x.Initials); err != nil {
			return "", err
		}
	case session.DeclaredBallast:
		d.facts.HasWeighed, d.facts.Weighed = true, *x.BallastKg
	case session.DeclaredSafe:
		if d.facts.Fell != 0 && d.begin+at < d.facts.Fell+d.card.Craft.AfterCrash || d.facts.Fell != 0 && x.Value == "" {
			return "", errors.New(d.card.AfterFall(d.begin+at, d.facts.Fell) + "; its temperature is wanted too: downhaul declare safe INITIALS TEMPERATURE")
		}
		d.facts.Fell, d.facts.Step, d.facts.Packs, d.facts.Confirmed, d.facts.HasWeighed = 0, "", nil, nil, false
	case session.DeclaredPacks:
		d.facts.Packs = x.Packs
	case session.DeclaredWind:
		d.facts.HasWind, d.facts.Wind, d.facts.WindAt, d.value = true, *x.Wind, d.begin+at, x.Value
	case session.DeclaredAir:
		d.air = x.Value
	case session.DeclaredInspection:
		s, _ := d.card.Step(x.Step)
		d.facts.Now, x.LiveS, x.Packs = d.begin+at, d.facts.Hours(s).Seconds(), s.Shown.Packs
		d.result(&x, d.facts.Now)
		says += d.cameTo(&x)
	}
	*room = x.Text()
	d.said.give()
	d.changed(at)
	return says, g.tooLate()
}

// beforeStart returns why nothing is declared now, nil where the latch takes it.
func (g *Guard) beforeStart() error {
	if s, closed := g.shot.state(); closed || s == interlock.Closing || s == interlock.Live || s == interlock.Lowering {
		return fmt.Errorf("the guard is %s: declarations count before a start only; end the run first", s)
	}
	return nil
}

// tooLate returns an error for what was left for a loop that may not look again.
func (g *Guard) tooLate() error {
	if g.ending.Load() {
		return errors.New("the guard is ending: its trip log tells whether this still came on record")
	}
	return nil
}
