package report

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/before/bench"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry/words"
	"downhaul/interlock/limits"
	"downhaul/interlock/pad"
	"downhaul/rules"
)

// Ours: how fine the charts are, and how many first causes get charts of their
// own; the others are in the lists.
const (
	overview    = 900
	close_up    = 500
	mostWindows = 12
)

// panel is one channel around one first cause.
type panel struct {
	rule  int
	curve *series
}

// charts are the curves of a whole session.
type charts struct {
	rules []*series // by rule
	wind  *series
	gust  *series
	packs []*battery
}

// collector looks on while a recording is replayed and keeps what the report
// needs, in bounded memory.
type collector struct {
	ses *Session
	env *rules.Envelope
	pad *pad.Pad
	ch  *channels

	winds    []*breeze
	mean2    extreme
	mean10   extreme
	tracks   []*track
	nears    []*nearest
	runs     []runView
	acted    map[uint32]time.Duration
	pending  []*waiting // openings whose readback or rotors are still awaited
	openings []*waiting
	proofs   map[uint32]bool // by number, overdue
	rotors   rules.RotorsStanding
	words    []Words
	more     int // words beyond mostWords
}

// waiting is one opening of the relay and what came of it.
type waiting struct {
	at       time.Duration
	run      int
	readback time.Duration // rules.Never: not yet
	still    time.Duration
	turning  bool // a rotor was seen to turn after it
}

// track follows the value of one rule against its limit, for the trips of that
// rule in order.
type track struct {
	rule   *rules.Rule
	trips  []*Trip
	since  time.Duration
	beyond bool
	last   time.Duration
	seen   bool
}

func (k *track) take(at time.Duration, r limits.Reading) {
	k.until(at)
	if r.Quality == rules.Missing {
		return
	}
	k.last, k.seen = at, true
	switch k.rule.Side(r.Value) {
	case rules.Beyond:
		if !k.beyond {
			k.since, k.beyond = at, true
		}
	case rules.Inside, rules.InCaution:
		if r.Quality == rules.Good {
			k.beyond = false
		}
	}
	k.until(at + 1)
}

// until settles the trips before an instant by what was known until then.
func (k *track) until(before time.Duration) {
	for len(k.trips) > 0 {
		t := k.trips[0]
		at := time.Duration(t.At.Value * 1e9)
		if at+500 >= before { // the second has lost its last digits
			return
		}
		k.settle(t, at)
		k.trips = k.trips[1:]
	}
}

func (k *track) settle(t *Trip, at time.Duration) {
	if k.seen {
		t.Times.Datagram = seconds(k.last)
	}
	if k.beyond && t.Value != nil && t.Reason != interlock.ReasonThenSilent.String() {
		t.Times.Past = seconds(k.since)
		t.Times.Detected = seconds(max(0, at-k.since))
	}
}

// nearest finds how near a value came in each caution of a rule.
type nearest struct {
	rule     *rules.Rule
	cautions []*Caution
	seen     bool
	least    float64
	worst    float64
}

func (n *nearest) take(at time.Duration, r limits.Reading) {
	for len(n.cautions) > 0 && at > n.cautions[0].off {
		n.settle()
	}
	if len(n.cautions) == 0 || at < n.cautions[0].at || r.Quality == rules.Missing {
		return
	}
	if h := n.rule.Headroom(r.Value); !n.seen || h < n.least {
		n.seen, n.least, n.worst = true, h, r.Value
	}
}

func (n *nearest) settle() {
	c := n.cautions[0]
	n.cautions = n.cautions[1:]
	if n.seen {
		si := rules.SIUnit(kindOf(n.rule))
		c.Worst = ofRule(&n.worst, n.rule, si)
		c.Headroom = ofRule(&n.least, n.rule, si)
		c.Headroom.room = true
		if way := math.Abs(n.rule.Limit - n.rule.Caution); n.rule.HasCaution && way > 0 {
			share := n.least / way
			c.Share = &share
		}
	}
	n.seen = false
}

// runView is what is looked at in one run.
type runView struct {
	from, to                    time.Duration
	height, gust, voltage, pull extreme
}

// newCollector prepares everything that is to be looked at. The decisions must
// be in the session already.
func newCollector(ses *Session, env *rules.Envelope, p *pad.Pad, e *events, end time.Duration) *collector {
	k := &collector{ses: ses, env: env, pad: p, ch: &channels{}, acted: map[uint32]time.Duration{}, proofs: map[uint32]bool{},
		mean2: extreme{to: rules.Never}, mean10: extreme{to: rules.Never}}
	k.watchRules()
	k.watchWind(end)
	k.watchRuns()
	k.watchPacks()
	k.watchOpenings(e)
	return k
}

func (k *collector) watchRules() {
	trips, cautions := map[string][]*Trip{}, map[string][]*Caution{}
	for i := range k.ses.Episodes {
		for j := range k.ses.Episodes[i].Trips {
			t := &k.ses.Episodes[i].Trips[j]
			trips[t.Rule] = append(trips[t.Rule], t)
		}
	}
	for i := range k.ses.Cautions {
		c := &k.ses.Cautions[i]
		cautions[c.Rule] = append(cautions[c.Rule], c)
	}
	for i := range k.env.Rules {
		r := &k.env.Rules[i]
		s := newSeries(0, rules.Never, overview)
		k.ses.charts.rules = append(k.ses.charts.rules, s)
		k.ch.watch(r.Watch, s)
		for j := range k.ses.Episodes {
			if ep := &k.ses.Episodes[j]; j < mostWindows {
				s := newSeries(ep.from, ep.to, close_up)
				ep.panels = append(ep.panels, panel{i, s})
				k.ch.watch(r.Watch, s)
			}
		}
		if isRate(r) {
			continue
		}
		if list := trips[r.Name]; len(list) > 0 {
			t := &track{rule: r, trips: list}
			k.tracks = append(k.tracks, t)
			k.ch.watch(r.Watch, t)
		}
		if list := cautions[r.Name]; len(list) > 0 {
			n := &nearest{rule: r, cautions: list}
			k.nears = append(k.nears, n)
			k.ch.watch(r.Watch, n)
		}
	}
}

func (k *collector) watchWind(end time.Duration) {
	k.winds = []*breeze{newBreeze(0, end)}
	for i := range k.ses.Runs {
		k.winds = append(k.winds, newBreeze(k.ses.Runs[i].begin, k.ses.Runs[i].end))
	}
	for _, b := range k.winds {
		k.ch.watch(rules.WindSpeed, b)
		k.ch.watch(rules.Gust, &b.gust)
		k.ch.watch(rules.Gust, &b.lull)
	}
	k.ses.charts.wind, k.ses.charts.gust = newSeries(0, rules.Never, overview), newSeries(0, rules.Never, overview)
	k.ch.watch(rules.WindSpeed, k.ses.charts.wind)
	k.ch.watch(rules.Gust, k.ses.charts.gust)
	k.ch.watch(rules.Mean2, &k.mean2)
	k.ch.watch(rules.Mean10, &k.mean10)
}

func (k *collector) watchPacks() {
	for n := range 4 {
		ids := packCells(n)
		if k.pad != nil && k.pad.Fed(ids.voltage) == rules.NotFed {
			continue
		}
		b := newBattery(fmt.Sprintf("pack %d", n+1), ids)
		b.listen(k.ch)
		k.ses.charts.packs = append(k.ses.charts.packs, b)
	}
}

func (k *collector) watchRuns() {
	k.runs = make([]runView, len(k.ses.Runs))
	for i := range k.runs {
		v, r := &k.runs[i], &k.ses.Runs[i]
		v.from, v.to = r.begin, r.end
		for _, e := range []*extreme{&v.height, &v.gust, &v.voltage, &v.pull} {
			e.from, e.to = r.begin, r.end
		}
		v.voltage.lowest = true
		k.ch.watch(rules.Height, &v.height)
		k.ch.watch(rules.Gust, &v.gust)
		k.ch.watch(rules.Tension, &v.pull)
		if k.pad == nil || k.pad.Fed(rules.Pack1Voltage) != rules.NotFed {
			k.ch.watch(rules.Pack1Voltage, &v.voltage)
		}
	}
}

func (k *collector) watchOpenings(e *events) {
	state, run := blocked, 0
	relay, beat := false, false
	for i := range e.list {
		d := &e.list[i]
		switch {
		case d.Kind == "state":
			if d.State == live && state != live && state != lowering {
				run++
			}
			state = d.State
		case d.Kind == "heartbeat":
			beat = d.On
		case d.Kind == "relay":
			// Without pulses nothing was closed: the chain's own test.
			if relay && beat && !d.On {
				k.openings = append(k.openings, &waiting{at: d.at(), run: run, readback: rules.Never, still: rules.Never})
			}
			relay = d.On
		}
	}
	k.pending = append(k.pending, k.openings...)
	k.ch.watch(rules.RotorSpeed, sinkFunc(k.rotor))
}

// stillRotor is the rotor speed below which a rotor counts as standing, Hz.
var stillRotor = interlock.DefaultSite().StillRotor

func (k *collector) rotor(at time.Duration, r limits.Reading) {
	for _, w := range k.pending {
		if at < w.at || r.Quality != rules.Good || w.still != rules.Never {
			continue
		}
		if r.Value >= stillRotor {
			w.turning = true
		} else {
			w.still = at
		}
	}
}

// look takes one chunk.
func (k *collector) look(c *intake.Chunk, inputs []interlock.Input, told []bench.Told) {
	switch c.Source {
	case intake.Decisions:
		k.decided(c)
		return
	case intake.HostEvent:
		k.host(c)
	}
	for i := range inputs {
		if in := &inputs[i]; in.Kind == interlock.LineInput && in.Line == interlock.Readback {
			k.mirror(c.At, in.On)
		}
	}
	k.ch.take(told)
}

// mostWords bounds the texts of the craft that are listed; ours.
const mostWords = 2000

// say takes a text of the craft.
func (k *collector) say(s words.Said) {
	if len(k.words) == mostWords {
		k.more++
		return
	}
	k.words = append(k.words, Words{seconds(s.At), k.ses.Began.Add(s.At).UTC(), s.Word(), s.Text})
}

func (k *collector) mirror(at time.Duration, on bool) {
	if on {
		return
	}
	for _, w := range k.pending {
		if w.at <= at && w.readback == rules.Never {
			w.readback = at
		}
	}
	// What is known of the first, or the opening behind it, ends its wait.
	for len(k.pending) > 0 && (k.pending[0].readback != rules.Never && k.pending[0].still != rules.Never || len(k.pending) > 1 && k.pending[1].at <= at) {
		k.pending = k.pending[1:]
	}
}

var tripMark = []byte(`"kind":"trip"`)

// decided takes a record of a decision: when the loop acted on it.
func (k *collector) decided(c *intake.Chunk) {
	if !bytes.Contains(c.Bytes, tripMark) || len(k.acted) >= mostEvents {
		return
	}
	var d decision
	if json.Unmarshal(c.Bytes, &d) == nil && d.Kind == "trip" {
		k.acted[d.Trip] = c.At
	}
}

func (k *collector) host(c *intake.Chunk) {
	m, ok := intake.DecodeHost(c.Bytes)
	switch {
	case !ok:
	case m.Host == interlock.HostProof:
		if m.Seq < 64 {
			k.proofs[m.Seq] = m.On
		}
	case m.Host == interlock.HostStopTime:
		k.rotors = rules.RotorsStanding{Standing: time.Duration(m.Seq) * time.Millisecond, Measured: m.On}
	}
}
