package bench

import (
	"slices"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/before/bench/overlay"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry/words"
	"downhaul/interlock/records/recording"
	"downhaul/rules"
)

// watcher sees every decision of one engine in order.
type watcher func(at time.Duration, effects []interlock.Effect)

// lane is one engine of a pass and the envelope it was made with.
type lane struct {
	env    *rules.Envelope
	engine *interlock.Engine
	watch  watcher
	least  []leastSeen // by rule
	times  []ruleTimes // by rule
	// byBlind: it is asked for how long each rule was blind, counted up to looked.
	byBlind bool
	looked  time.Duration
	// untimed: nobody knows when the frames were heard (see withoutAge).
	untimed, firstOut bool
}

// pass takes one recording through one intake into any number of engines side
// by side. The intake knows nothing of any envelope but which channels somebody
// can use, and a channel that an engine cannot use changes none of its
// decisions: so every engine decides what it would decide alone.
type pass struct {
	in       *intake.Intake
	lanes    []*lane
	health   health
	others   others
	tick     func() error
	trace    *Trace
	look     Look
	onlooker *onlooker
	decide   func(f interlock.Effect)
	say      func(s words.Said)
	joiner   words.Joiner
	filled   *batch // by the reader
	looked   intake.Chunk
	count    func(n int)
	notes    []string
	end      time.Duration
	toDamage bool // see UpToDamage
	faults   *overlay.Scenario
	untimed  bool // of raw bytes: when frames were heard is not known
	software string
}

// Option changes how a recording is gone through.
type Option func(*pass)

// Ticking has f called every few hundred chunks; an error of it ends the
// replay with that error.
func Ticking(f func() error) Option { return func(p *pass) { p.tick = f } }

// Look is shown every chunk in order, with what the intake made of it and what the channels
// that are looked at read since the one before; and the records of decisions, which are no
// input: of those and of what the host told the chunk has its bytes. Nothing of it may be kept.
type Look func(c *intake.Chunk, inputs []interlock.Input, told []Told)

// Seeing shows f how a recording goes. Of the channels that wanted names it shows the
// readings that the engine judges, and works out what the engine has no use for: its
// decisions stay the same. rules.LinkAge is not among them: it grows with time by itself.
func Seeing(wanted func(rules.ChannelID) bool, f Look) Option {
	return func(p *pass) {
		p.look, p.onlooker = f, &onlooker{}
		for id := rules.NoChannel + 1; id < rules.ChannelCount; id++ {
			p.onlooker.looks[id] = id != rules.LinkAge && wanted(id)
		}
	}
}

// Deciding shows f every decision of a replay in order.
func Deciding(f func(f interlock.Effect)) Option { return func(p *pass) { p.decide = f } }

// Saying shows f each text of the craft in its own words.
func Saying(f func(s words.Said)) Option { return func(p *pass) { p.say = f } }

// Counting has f told how many bytes of the recording were read, where the
// replay opens it itself.
func Counting(f func(n int)) Option { return func(p *pass) { p.count = f } }

// By names the software that replays. A session that another one recorded may have
// been decided otherwise, so a difference then says nothing of its files.
func By(software string) Option { return func(p *pass) { p.software = software } }

// UpToDamage ends a replay that opens its recording itself at the first damage
// in it, for who takes its decisions for those of the day.
func UpToDamage() Option { return func(p *pass) { p.toDamage = true } }

// With lays faults over the recording.
func With(faults *overlay.Scenario) Option { return func(p *pass) { p.faults = faults } }

// leastSeen is the least distance of a rule to its limit while it was in force, SI,
// and when that was.
type leastSeen struct {
	seen bool
	room float64
	at   time.Duration
}

func (l *lane) judged(at time.Duration, i int, v float64) {
	if l.untimed && l.env.Rules[i].Watch == rules.LinkAge {
		return
	}
	l.times[i].judge(at, &l.env.Rules[i], v)
	least := &l.least[i]
	if room := l.env.Rules[i].Headroom(v); !least.seen || room < least.room {
		*least = leastSeen{true, room, at}
	}
}

func newPass(setup Setup, envelopes []*rules.Envelope, options []Option) (*pass, error) {
	p := &pass{}
	for _, o := range options {
		o(p)
	}
	var wanted [rules.ChannelCount]bool
	for _, env := range envelopes {
		site := setup.Site
		if p.onlooker != nil && len(p.lanes) == 0 {
			p.onlooker.Derivation = site.Derived
			site.Derived = p.onlooker
		}
		engine, err := interlock.New(env, site)
		if err != nil {
			return nil, err
		}
		for id, w := range engine.Wanted() {
			wanted[id] = wanted[id] || w
		}
		l := &lane{env: env, engine: engine, least: make([]leastSeen, len(env.Rules)), times: make([]ruleTimes, len(env.Rules))}
		engine.WhenJudged(l.judged)
		p.lanes = append(p.lanes, l)
	}
	cfg := setup.Intake
	cfg.Fields.Wanted, cfg.Other = &wanted, p.others.note
	if p.say != nil {
		cfg.Said = func(at time.Duration, payload []byte) {
			p.filled.said = append(p.filled.said, said{at, slices.Clone(payload)})
		}
	}
	in, err := intake.New(cfg)
	if err != nil {
		return nil, err
	}
	p.in, p.health = in, newHealth(setup.Site)
	return p, nil
}

// run goes through the recording to its end.
func (p *pass) run(file string, rec *recording.Reader) error {
	p.untimed = rec.Info().Form == recording.Raw
	if p.untimed {
		// The craft's own clock is the only one: it can show neither lag nor the link's age.
		p.health.lag, p.health.silent = nil, rules.Never
	}
	for _, l := range p.lanes {
		l.untimed = p.untimed
	}
	next := rec.Next
	if p.faults != nil {
		next = func() (*intake.Chunk, error) { return p.faults.Next(rec.Next) }
		for _, line := range p.faults.Says {
			p.notes = append(p.notes, "laid over it: "+line)
		}
	}
	if err := p.ahead(next, func(b *batch) error { return p.judge(file, b) }); err != nil {
		return err
	}
	if p.faults != nil {
		for _, line := range p.faults.Unmet() {
			p.notes = append(p.notes, "laid over it in vain: "+line)
		}
	}
	p.end = max(p.end, rec.Info().Span)
	p.close()
	return nil
}

// judge gives a batch to the engines, and to whoever looks on.
func (p *pass) judge(file string, b *batch) error {
	if p.tick != nil {
		if err := p.tick(); err != nil {
			return err
		}
	}
	for _, s := range b.said {
		p.joiner.Hear(s.at, s.payload, p.say)
	}
	inputs := b.inputs
	for i := range b.turns {
		t := &b.turns[i]
		p.end = t.at
		now := inputs[:t.inputs]
		inputs = inputs[t.inputs:]
		var told []Told
		if t.source != intake.Decisions {
			p.decideOn(t.at, now)
			if p.onlooker != nil {
				told = p.onlooker.look(t.at)
			}
		}
		if p.look != nil {
			p.looked = intake.Chunk{At: t.at, Source: t.source, Bytes: t.bytes}
			p.look(&p.looked, now, told)
		}
	}
	if b.err != nil {
		return p.endOf(file, b.err)
	}
	return nil
}

// decideOn gives the inputs of one chunk to the engines.
func (p *pass) decideOn(at time.Duration, inputs []interlock.Input) {
	if l := p.lanes[0]; l.byBlind && at-l.looked >= blindStep {
		l.watchBlind(at)
	}
	p.health.see(at, inputs)
	if p.trace != nil {
		p.lanes[0].traced(at, inputs, p.trace)
		return
	}
	for _, l := range p.lanes {
		l.step(at, inputs)
	}
}

// close lets the last instant act, and what waited for its end.
func (p *pass) close() {
	p.health.close(p.end)
	p.joiner.End(p.say)
	for _, l := range p.lanes {
		if l.byBlind {
			l.watchBlind(p.end)
		}
		l.take(p.end, l.engine.Advance(p.end+1))
		for i := range l.times {
			l.times[i].until(min(p.end, l.times[i].judged+l.env.Rules[i].StaleAfter))
		}
	}
}

// step gives one chunk's inputs to the engine.
func (l *lane) step(at time.Duration, inputs []interlock.Input) {
	if len(inputs) == 0 {
		l.take(at, l.engine.Advance(at))
		return
	}
	for i := range inputs {
		l.take(at, l.engine.Step(at, &inputs[i]))
	}
}

// traced is step with a look at the engine after every input.
func (l *lane) traced(at time.Duration, inputs []interlock.Input, t *Trace) {
	if len(inputs) == 0 {
		l.step(at, nil)
		t.look(l.engine)
	}
	for i := range inputs {
		l.step(at, inputs[i:i+1])
		t.look(l.engine)
	}
}

func (l *lane) take(at time.Duration, effects []interlock.Effect) {
	if l.untimed {
		effects = l.withoutAge(effects)
	}
	if len(effects) > 0 && l.watch != nil {
		l.watch(at, effects)
	}
}

// withoutAge leaves out what was decided by the age of the link, which raw bytes do not
// tell: the built-in trip, the trip of a silence, and rules on link.age. The stops that
// stand behind such a trip are those of channels grown old by the craft's own clock,
// and become trips of their own.
func (l *lane) withoutAge(effects []interlock.Effect) []interlock.Effect {
	out := effects[:0]
	for _, f := range effects {
		byLink := f.Reason == interlock.ReasonLink || f.Reason == interlock.ReasonThenSilent
		switch {
		case f.Rule >= 0 && l.env.Rules[f.Rule].Watch == rules.LinkAge, byLink && f.Kind == interlock.ConsequenceEffect:
			continue
		case byLink && f.Kind == interlock.TripEffect:
			l.firstOut = l.firstOut || f.FirstOut
			continue
		case f.Kind == interlock.ConsequenceEffect:
			f.Kind = interlock.TripEffect
		}
		if f.Kind == interlock.TripEffect {
			f.FirstOut, l.firstOut = f.FirstOut || l.firstOut, false
		}
		out = append(out, f)
	}
	return out
}
