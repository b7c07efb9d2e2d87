package guard

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/answers"
	"downhaul/interlock/session"
	"downhaul/interlock/stopping"
	"downhaul/rules"
)

// stops keeps what openings prove of the stop. The loop follows them; what it saw
// goes on record here, by one goroutine, behind its back.
type stops struct {
	work chan stopWork
	lost atomic.Uint64 // openings that were seen and could not be handed over
	bad  atomic.Pointer[string]

	// The loop's own, once it turns: what the engine was last told.
	told  stopping.Times
	begun bool
}

// stopWork is one thing to put on record: an opening, or a reading of one.
type stopWork struct {
	seen    stopping.Seen
	reading *stopping.Record
	done    chan error // nil where nobody waits
}

// stopRoom is how many openings wait for the disk: more than a crew makes while
// one record is written.
const stopRoom = 16

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

// watchOpenings follows the openings for the loop; a guard that only watches has
// none.
func (g *Guard) watchOpenings(idle float64) *stopping.Watch {
	if g.pad.Duty != interlock.Guard {
		return nil
	}
	g.stops.work = make(chan stopWork, stopRoom)
	return stopping.NewWatch(g.pad.Craft.Motors, idle, g.pad.Contactor.Readback, g.sawOpening)
}

// stopsOnRecord reads what openings prove. Records that cannot be read leave the
// stop unproven.
func (g *Guard) stopsOnRecord() {
	if g.pad.Duty != interlock.Guard || g.pad.Rehearses() {
		return
	}
	s := &g.stops
	records, trouble, err := stopping.Records(g.pad.LogFolder)
	if err != nil {
		trouble = append(trouble, err)
	}
	if len(trouble) > 0 {
		var says []string
		for _, err := range trouble {
			says = append(says, err.Error())
		}
		text := "the stop counts as not measured: " + strings.Join(says, "; ")
		s.bad.Store(&text)
	}
	g.declared.proof.Store(stopping.Judge(records, g.stopOf()))
}

// sawOpening takes an opening from the loop. It never waits.
func (g *Guard) sawOpening(x stopping.Seen) {
	if g.opts.Stepped {
		_ = g.keepStop(stopWork{seen: x})
		return
	}
	select {
	case g.stops.work <- stopWork{seen: x}:
	default:
		g.stops.lost.Add(1)
		text := "an opening could not be put on record, so that it does not count: the disk was too slow"
		g.keeper.trouble.Store(&text)
	}
}

// keepStops writes openings down until ctx ends.
func (g *Guard) keepStops(ctx context.Context) {
	for {
		select {
		case w := <-g.stops.work:
			_ = g.keepStop(w)
		case <-ctx.Done():
			return
		}
	}
}

// lastStops writes down what still waits at the end.
func (g *Guard) lastStops() {
	for {
		select {
		case w := <-g.stops.work:
			_ = g.keepStop(w)
		default:
			return
		}
	}
}

// keepStop puts an opening, or a reading of one, on record and takes what it
// changes.
func (g *Guard) keepStop(w stopWork) error {
	d := &g.declared
	r := w.reading
	if r == nil {
		r = new(stopping.Record)
		r.Fill(w.seen)
		d.mu.Lock()
		r.Step = d.facts.Step
		d.mu.Unlock()
	}
	r.Schema, r.Made, r.Software, r.Session, r.Of = stopping.Schema, time.Now().UTC(), g.opts.Software, g.session.Info.Session, g.stopOf()
	err := r.Write(g.pad.LogFolder)
	if err != nil {
		text := fmt.Sprintf("an opening could not be put on record, so that it does not count: %v", err)
		g.keeper.trouble.Store(&text)
	} else {
		g.stopsOnRecord()
		g.keeper.remark(g.now(), r.Says(), g.opts.Stepped)
	}
	g.contactorWorn()
	now := g.now()
	d.mu.Lock()
	d.changed(now)
	d.mu.Unlock()
	if w.done != nil {
		w.done <- err // buffered
	}
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
	for _, due := range g.dueTests() {
		if strings.HasPrefix(due, name+" has opened") {
			return
		}
	}
	g.proofDue(stopProof, says)
}

// tellTimes tells the engine the two times after an opening for a step that needs
// that output, when they changed.
func (g *Guard) tellTimes(output float64) {
	s, p := &g.stops, g.declared.proof.Load()
	if p == nil {
		return
	}
	times := p.Times(output, g.pad.Stated(), g.pad.FullThrustAfter())
	if s.begun && times == s.told {
		return
	}
	s.begun, s.told = true, times
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
	if err := spoken("the initials", x.Initials, mostInitials); err != nil {
		return "", err
	}
	p := g.declared.proof.Load()
	if p == nil || p.Last == 0 {
		return "", errors.New("no opening of this craft's chain counts here yet: a reading is of the last one")
	}
	w := stopWork{reading: &stopping.Record{Kind: stopping.Reading, Opening: p.Last, ReadS: took.Seconds(), Initials: x.Initials}, done: make(chan error, 1)}
	if g.opts.Stepped {
		if err := g.keepStop(w); err != nil {
			return "", err
		}
		return w.reading.Says(), nil
	}
	late := time.NewTimer(readingFor)
	defer late.Stop()
	select {
	case g.stops.work <- w:
	case <-late.C:
		return "", errors.New("the reading is not on record: the disk does not answer")
	}
	select {
	case err := <-w.done:
		if err != nil {
			return "", err
		}
		return w.reading.Says(), nil
	case <-late.C:
		return "", errors.New("nobody knows whether the reading is on record: the disk does not answer")
	}
}

// readingFor is how long somebody waits for a reading to be on disk.
const readingFor = 5 * time.Second
