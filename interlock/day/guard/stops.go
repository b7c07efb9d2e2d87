package guard

import (
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/stopping"
	"downhaul/rules"
)

// stops keeps what openings prove of the stop. The loop follows them; what it saw the
// record writer puts on record, behind its back.
type stops struct {
	bad   atomic.Pointer[string]
	tally stopping.Tally  // the record writer's own, once the guard runs
	some  *stopping.Tally // what counts while bad
	worn  bool            // the writer's own: the contactor has made all its openings

	// The loop's own, once it turns: what the engine was last told, and who follows an
	// opening; nil is nobody. began is what was declared as the chain went live.
	told  stopping.Times
	watch *stopping.Watch
	began *declaredStand
}

// stopProof is the Seq of interlock.HostProof for a contactor that has opened
// under load as often as its maker states.
const stopProof = 33

// stopOf is the stop that this guard's openings count for; without a card nobody
// says of which craft.
func (g *Guard) stopOf() stopping.Of {
	craft := ""
	if c := g.declared.card; c != nil {
		craft = c.Craft.Name
	}
	return stopping.What(g.pad, craft)
}

// watchOpenings has the openings followed; a guard that only watches has none.
func (g *Guard) watchOpenings(idle float64) {
	if g.pad.Duty == interlock.Guard {
		g.stops.watch = stopping.NewWatch(g.pad.Craft.Motors, idle, g.pad.Contactor.Readback, g.sawOpening)
	}
}

// follow shows what came and what was decided to those who follow it and decide nothing.
// The loop calls it, behind the pins.
func (g *Guard) follow(b *Batch) {
	if w := g.stops.watch; w != nil {
		for i := range b.Inputs {
			w.Take(b.At, &b.Inputs[i])
		}
		for i := range b.Decisions {
			w.Decided(b.At, &b.Decisions[i])
		}
	}
	for i := range b.Decisions {
		if f := &b.Decisions[i]; f.Kind == interlock.StateEffect && f.State == interlock.Live {
			g.stops.began = g.declared.toldOf
		}
		g.ledger.saw(&b.Decisions[i])
		if g.opts.Watch != nil {
			g.opts.Watch(g.env, b.Decisions[i])
		}
		if room := g.tells.room(); room != nil {
			*room = b.Decisions[i]
			g.tells.give()
		}
	}
}

// stopsOnRecord reads the records of openings that were made since those that are in
// the tally. Records that cannot be read, which are lost, leave the stop unproven, and
// make no time shorter and no wear less.
func (g *Guard) stopsOnRecord() (lost []string) {
	if g.pad.Duty != interlock.Guard || g.pad.Rehearses() {
		return nil
	}
	s := &g.stops
	now, trouble := s.tally, []error(nil)
	if start := g.declared.proof.Load() == nil; !start || !s.tally.UpToDate(g.pad.LogFolder) {
		now, trouble = s.tally.ReadOn(g.pad.LogFolder)
	}
	var bad *string
	if len(trouble) == 0 {
		s.tally = now
	} else {
		text := "the stop counts as not measured: " + strings.ReplaceAll(errors.Join(trouble...).Error(), "\n", "; ")
		lost, bad, s.some = []string{"stop"}, &text, now.Unproven()
	}
	s.bad.Store(bad)
	g.declared.proof.Store(s.counts().Prove(g.stopOf()))
	return lost
}

// counts returns what counts.
func (s *stops) counts() *stopping.Tally {
	if s.bad.Load() != nil {
		return s.some
	}
	return &s.tally
}

// sawOpening takes an opening from the loop. It never waits.
func (g *Guard) sawOpening(x stopping.Seen) {
	if s := g.stops.began; s != nil {
		x.Step, x.Packs = s.step, s.packs
	}
	if g.opts.Stepped {
		g.keepOpening(x)
		return
	}
	if room := g.keeper.openings.room(); room != nil {
		*room = x
		g.keeper.openings.give()
		g.keeper.bell.Wake()
	} else {
		text := "an opening could not be put on record, so that it does not count: the disk was too slow"
		g.keeper.trouble.Store(&text)
	}
}

// keepOpening puts an opening on record.
func (g *Guard) keepOpening(x stopping.Seen) {
	r := new(stopping.Record)
	r.Fill(x)
	_ = g.keepStop(r)
}

// keepStop puts an opening, or a reading of one, on record and takes what it changes.
func (g *Guard) keepStop(r *stopping.Record) error {
	d := &g.declared
	r.Schema, r.Made, r.Software, r.Session, r.Of = stopping.Schema, time.Now().UTC(), g.opts.Software, g.session.Info.Session, g.stopOf()
	err := r.Write(g.pad.LogFolder)
	if err != nil {
		text := fmt.Sprintf("an opening could not be put on record, so that it does not count: %v", err)
		g.keeper.trouble.Store(&text)
	} else {
		g.stopsOnRecord()
		g.keeper.noteText(r.Says())
	}
	g.contactorWorn()
	now := g.now()
	d.mu.Lock()
	d.changed(now)
	d.mu.Unlock()
	return err
}

// counted returns what is on record of wear, nil where nothing counts.
func (g *Guard) counted() *answers.Counted {
	p := g.declared.proof.Load()
	if p == nil {
		return nil
	}
	c := &answers.Counted{Starts: p.Worn.Starts, LiveS: p.Worn.Live.Seconds(), FullOutputS: p.Worn.Full.Seconds(), Contactor: g.pad.Contactor.Name,
		Openings: p.Worn.Openings, Loaded: p.Loaded, MakerStates: g.pad.Contactor.LoadOpenings}
	if bad := g.stops.bad.Load(); bad != nil {
		c.Trouble = *bad
	}
	return c
}

// contactorWorn refuses every start once the contactor opened under load as often
// as its maker states.
func (g *Guard) contactorWorn() {
	c, p := &g.pad.Contactor, g.declared.proof.Load()
	if p == nil || c.LoadOpenings == 0 || p.Loaded < c.LoadOpenings {
		return
	}
	name := "the contactor"
	if c.Name != "" {
		name += " " + c.Name
	}
	says := fmt.Sprintf("%s has opened under load %d times, and its maker states %d: replace it, write the new one's name under [contactor], and make the stop test anew", name, p.Loaded, c.LoadOpenings)
	if !g.stops.worn {
		g.stops.worn = true
		g.proofDue(stopProof, says)
	}
}

// tellTimes tells the engine the two times after an opening for a step that needs
// that output, when they changed.
func (g *Guard) tellTimes(output float64) {
	s, p := &g.stops, g.declared.proof.Load()
	if p == nil {
		return
	}
	times := p.Times(output, g.pad.Stated(), g.pad.FullThrustAfter())
	if times == s.told {
		return
	}
	s.told = times
	g.tellStop(times)
}

// declareStop takes what somebody read off a watch or a film for the last
// opening. It goes on record like the opening itself.
func (g *Guard) declareStop(x *session.Declaration) (says string, err error) {
	took, err := rules.ParseDuration(strings.TrimSpace(x.Value))
	if err == nil && (took <= 0 || took > time.Minute) {
		err = fmt.Errorf("a time of more than 0 and at most %s (got %q)", rules.FormatDuration(time.Minute), x.Value)
	}
	if err != nil {
		return "", fmt.Errorf("the stop: %w", err)
	}
	*x = session.Declaration{What: x.What, By: x.By, Value: rules.FormatDuration(took), Initials: strings.TrimSpace(x.Initials)}
	if err := session.Spoken("the initials", x.Initials, mostInitials); err != nil {
		return "", err
	}
	p := g.declared.proof.Load()
	if p == nil || p.Last == 0 {
		return "", errors.New("no opening of this craft's chain counts here yet: a reading is of the last one")
	}
	r := &stopping.Record{Kind: stopping.Reading, Opening: p.Last, ReadS: took.Seconds(), Initials: x.Initials}
	var kept error
	var text string
	if late := g.byWriter(func() { kept, text = g.keepStop(r), r.Says() }); late != nil {
		return "", fmt.Errorf("the reading: %w", late)
	}
	return text, kept
}
