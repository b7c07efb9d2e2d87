package prove

import (
	"errors"
	"fmt"
	"math"
	"net/netip"
	"slices"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/derived"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry"
	"downhaul/rules"
)

// Budget is the longest that a rule may take on a pad.
type Budget struct {
	// Value is from an excursion to the decision while values come, Silence
	// from the last good value to the decision, and Relay the longer of the two
	// with the longest turn of the loop.
	Value, Silence, Relay time.Duration
}

// Setup is what is proved.
type Setup struct {
	Envelope *rules.Envelope
	Site     interlock.Site
	Intake   intake.Config
	// CellRate is the load cell's conversions a second; 0 takes 80.
	CellRate float64
	// Fed states who feeds a channel.
	Fed func(rules.ChannelID) rules.Origin
	// Budget is the time that a rule has. It must be set.
	Budget func(*rules.Rule) Budget
	// Progress, if set, is told what comes next, part n of of, and says whether
	// to go on.
	Progress func(what string, n, of int) bool

	// open makes the core; nil is the guard's own.
	open func(env *rules.Envelope, site interlock.Site, in intake.Config) (core, door, error)
	// only, if set, says which rules are proved; the empty name is the conditions of
	// a start.
	only func(rule string) bool
}

// plan is what stays the same for all rigs of one proof.
type plan struct {
	setup     Setup
	cfg       derived.Config  // of its site
	env       *rules.Envelope // what the core is given
	encoder   *encoder
	sources   []source
	pinPeriod time.Duration
	from      netip.AddrPort
	pace      float64       // how fast heights move
	gently    time.Duration // how long the motors take to speed up
	loads     bool          // the pack is modelled under load
	wiggles   [rules.ChannelCount]bool
	turns     int // of the source that sends now
	notes     []string
	// never holds the rules, by the same index, that nothing drives.
	never map[int]bool
	// leftOut holds the reasons of start conditions that were taken out.
	leftOut map[string]string
	// asideWhy holds the reasons of rules that were taken out so that the
	// others can be brought to Live, by index in the setup's envelope; index
	// maps rules of env to those of the setup.
	asideWhy map[int]string
	index    []int
}

func openReal(env *rules.Envelope, site interlock.Site, in intake.Config) (core, door, error) {
	e, err := interlock.New(env, site)
	if err != nil {
		return nil, nil, err
	}
	wanted := e.Wanted()
	in.Fields.Wanted = &wanted
	d, err := intake.New(in)
	if err != nil {
		return nil, nil, err
	}
	return realCore{e}, realDoor{d}, nil
}

func newPlan(setup Setup) (*plan, error) {
	switch {
	case setup.Envelope == nil:
		return nil, errors.New("prove: no envelope given; read one first")
	case setup.Budget == nil || setup.Fed == nil:
		return nil, errors.New("prove: neither reaction budgets nor what is fed may be left out")
	}
	if setup.open == nil {
		setup.open = openReal
	}
	if setup.CellRate <= 0 {
		setup.CellRate = 80
	}
	p := &plan{setup: setup, asideWhy: map[int]string{}, leftOut: map[string]string{}, never: map[int]bool{}, pinPeriod: min(10*time.Millisecond, setup.Site.PinStale/2)}
	if p.pinPeriod <= 0 {
		return nil, errors.New("prove: the input lines may never go unread on this pad; write how long they may")
	}
	var ok bool
	if p.cfg, ok = setup.Site.Derived.(derived.Config); !ok {
		return nil, fmt.Errorf("prove: derived channels are proved as a pad file configures them, not by a %T", setup.Site.Derived)
	}
	var err error
	if p.encoder, err = newEncoder(); err != nil {
		return nil, err
	}
	p.asGuard()
	p.from = netip.AddrPortFrom(netip.AddrFrom4([4]byte{192, 0, 2, 1}), 40001) // a documentation address (RFC 5737)
	switch l := p.setup.Intake.Links[0]; {
	case l.Stream:
		p.from = netip.AddrPort{}
	case l.From.IsValid():
		port := l.From.Port()
		if port == 0 {
			port = 40001
		}
		p.from = netip.AddrPortFrom(l.From.Addr(), port)
	}
	return p, p.lay(setup.Envelope)
}

// asGuard makes a pad that only watches into one that could guard, for the
// time of the proof.
func (p *plan) asGuard() {
	site := &p.setup.Site
	if site.Duty == interlock.Watch {
		p.notes = append(p.notes, "this pad only watches; its logic is proved as that of a guard with every line of a virtual board")
		site.Duty = interlock.Guard
		for l := range site.Fitted {
			site.Fitted[l] = interlock.Line(l) != interlock.Hold
			p.setup.Intake.Lines[l].Fitted = site.Fitted[l]
		}
	}
	if !site.Rotors.Measured {
		p.notes = append(p.notes, "the stop is not proven at the rotors on this pad, so that a start is refused there; here 1 s is assumed")
		site.Rotors = rules.RotorsStanding{Standing: time.Second, Measured: true}
	}
	site.PowerUp = interlock.EndedCleanly
}

// lay works out what has to be sent for an envelope, and how often.
func (p *plan) lay(env *rules.Envelope) error {
	p.env = env
	// What the core can use is what it is asked for.
	e, err := interlock.New(env, p.setup.Site)
	if err != nil {
		return err
	}
	wanted := e.Wanted()
	fields, err := telemetry.NewFields(p.setup.Intake.Fields)
	if err != nil {
		return err
	}
	p.setPaces()
	p.setWiggles(&wanted)
	shortest := p.shortest()
	p.sources = []source{{kind: pinLevels, period: p.pinPeriod}}
	for _, s := range p.told() {
		s.period = 0
		for _, id := range s.feeds {
			if id == rules.CraftBootClock || id == rules.LinkLag || id == rules.LinkLoss || id == rules.WindSpeed ||
				!wanted[id] || p.setup.Site.Fed[id] == rules.NotFed || len(fields.Sources[id]) == 0 {
				continue
			}
			period := id.Channel().Period
			if shortest[id] > 0 {
				period = min(period, max(2*time.Millisecond, shortest[id]))
			}
			if s.period == 0 || period < s.period {
				s.period = period
			}
		}
		if slices.Contains(s.feeds, rules.CraftBootClock) {
			s.period = 200 * time.Millisecond // also what keeps the link alive
		}
		if s.period > 0 {
			s.period = max(time.Millisecond, s.period.Truncate(time.Millisecond))
			p.sources = append(p.sources, s)
		}
	}
	if p.setup.Intake.LoadCell.Fitted {
		p.sources = append(p.sources, source{kind: cellCounts, feeds: []rules.ChannelID{rules.Tension}, period: time.Duration(float64(time.Second) / p.setup.CellRate)})
	}
	if p.setup.Intake.Anemometer.Fitted {
		p.sources = append(p.sources, source{kind: windPulses, feeds: []rules.ChannelID{rules.WindSpeed}, period: rules.WindSpeed.Channel().Period})
	}
	return nil
}

// shortest is how often a measured channel must come so that no rule goes stale
// between two of its samples; 0 where no rule rests on it.
func (p *plan) shortest() (all [rules.ChannelCount]time.Duration) {
	for i := range p.env.Rules {
		r := &p.env.Rules[i]
		for _, m := range p.cfg.Needs(r.Watch) {
			if t := r.StaleAfter * 4 / 5; all[m] == 0 || t < all[m] {
				all[m] = t
			}
		}
	}
	return all
}

// setWiggles notes the channels whose last digit must move, or they count as frozen.
func (p *plan) setWiggles(wanted *[rules.ChannelCount]bool) {
	p.wiggles = [rules.ChannelCount]bool{}
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		p.wiggles[id] = id.Channel().FrozenAfter > 0 && wanted[id]
	}
	for i := range p.env.Rules {
		r := &p.env.Rules[i]
		for _, m := range p.cfg.Needs(r.Watch) {
			p.wiggles[m] = p.wiggles[m] || r.FrozenAfter > 0 || m.Channel().FrozenAfter > 0
		}
	}
	p.loads = slices.ContainsFunc(p.watched(), byLoad)
	if p.loads { // a current that never flickers counts as one that sticks
		p.wiggles[p.cfg.PackCurrent] = true
	}
}

// setPaces works out how fast heights and motors may go so that no limit on a rate is
// passed on the way.
func (p *plan) setPaces() {
	p.pace, p.gently = heightPace, 0
	for i := range p.env.Rules {
		r := &p.env.Rules[i]
		if r.Form != rules.RisingFaster && r.Form != rules.FallingFaster || !(r.Limit > 0) {
			continue
		}
		switch id := r.Watch; {
		case isHeight(id) || id == rules.Height || id == rules.SlantRange:
			p.pace = min(p.pace, 0.5*r.Limit)
		case id == rules.MotorHighest || id == rules.MotorHeadroom || id >= rules.Motor1Output && id <= rules.Motor16Output:
			p.gently = max(p.gently, time.Duration(2*usual(rules.Motor1Output)/r.Limit*1e9))
		case id == rules.RotorSpeed || id >= rules.Motor1Speed && id <= rules.Motor16Speed:
			p.gently = max(p.gently, time.Duration(2*usual(rules.Motor1Speed)/r.Limit*1e9))
		}
	}
}

// newRig is a pad at power-up.
func (p *plan) newRig() (*rig, error) {
	c, d, err := p.setup.open(p.env, p.setup.Site, p.setup.Intake)
	if err != nil {
		return nil, fmt.Errorf("prove: %w", err)
	}
	r := &rig{p: p, core: c, door: d, follow: rules.Never, rate: -1, outward: 1,
		due: make([]time.Duration, len(p.sources)), sent: make([]int, len(p.sources)), told: make([]uint64, len(p.sources)),
		mute: make([]bool, len(p.sources)), lost: make([]float64, len(p.sources))}
	for i := range r.due {
		r.due[i] = time.Duration(1+7*i) * time.Millisecond
		r.lost[i] = math.Mod(0.618*float64(i), 1) // spread, so that losses do not meet
	}
	for _, l := range [...]interlock.Line{interlock.EStopA, interlock.EStopB, interlock.Gate, interlock.Hold} {
		r.lines[l] = true
	}
	for id := range r.sc.v {
		r.sc.force(rules.ChannelID(id), usual(rules.ChannelID(id)))
	}
	// A pack's voltage is the sum of its cells.
	for k := range 4 {
		n := p.cellsOf(k)
		if k == 0 && p.setup.Intake.Fields.Cells > 0 {
			n = p.setup.Intake.Fields.Cells
		}
		first := rules.Pack1Voltage + rules.ChannelID(k)*eachPack
		volts := float64(n) * usual(rules.Pack1LowestCell)
		r.sc.force(first, volts)
		if k == 0 {
			r.sc.force(rules.SupplyVoltage, volts)
			r.sc.force(rules.ESCVoltage, volts)
		}
	}
	r.sc.pace = p.pace
	r.load.gentle, r.sc.ohms = gentleSteps, 0.03
	d0 := &p.cfg
	if k := d0.PackVoltage; p.loads && k >= rules.Pack1Voltage && k <= rules.Pack4CellSpread {
		r.sc.byVoltage[(k-rules.Pack1Voltage)/eachPack] = true
	}
	r.sc.force(rules.North, d0.AnchorNorth+0.5)
	r.sc.force(rules.East, d0.AnchorEast)
	return r, nil
}

// sourcesOf lists the sources that tell of any of the channels.
func (p *plan) sourcesOf(ids []rules.ChannelID) []int {
	var out []int
	for i, s := range p.sources {
		if slices.ContainsFunc(s.feeds, func(id rules.ChannelID) bool { return slices.Contains(ids, id) }) ||
			s.kind == craftFrame && s.boot && slices.Contains(ids, rules.LinkLag) ||
			s.kind == craftFrame && (slices.Contains(ids, rules.LinkLoss) || slices.Contains(ids, rules.LinkAge)) {
			out = append(out, i)
		}
	}
	return out
}

// period is the time between two tellings of the channels.
func (p *plan) period(ids []rules.ChannelID) time.Duration {
	longest := time.Duration(0)
	for _, i := range p.sourcesOf(ids) {
		if longest == 0 || p.sources[i].period < longest {
			longest = p.sources[i].period
		}
	}
	return max(longest, time.Millisecond)
}
