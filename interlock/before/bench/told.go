package bench

import (
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// Told is a reading of a channel as an engine took it, or as it was worked out beside one.
type Told struct {
	ID rules.ChannelID
	limits.Reading
}

// Deriving works channels out with the guard's own calculators, for a look. It judges
// nothing.
type Deriving struct {
	limits.Table
	tell  func(t Told)
	calcs []limits.Calculator
	due   []time.Duration
	next  time.Duration
	by    [rules.ChannelCount][]int // calculators by trigger, in order
}

// NewDeriving has tell told every reading that is taken or worked out. Calculators stand
// behind those that they rest on.
func NewDeriving(calcs []limits.Calculator, tell func(t Told)) *Deriving {
	d := &Deriving{tell: tell, calcs: calcs, due: make([]time.Duration, len(calcs)), next: rules.Never}
	for i, c := range calcs {
		d.due[i] = c.Due()
		d.next = min(d.next, d.due[i])
		d.by[c.Trigger()] = append(d.by[c.Trigger()], i)
	}
	return d
}

// Advance lets everything happen that is due by then without a reading.
func (d *Deriving) Advance(at time.Duration) {
	for d.next <= at {
		due := d.next
		d.next = rules.Never
		for i, c := range d.calcs {
			if d.due[i] <= due {
				r, ok := c.Tick(due, &d.Table)
				if d.due[i] = c.Due(); d.due[i] <= due {
					d.due[i] = due + 1
				}
				if ok {
					d.derived(due, c.Output(), r)
				}
			}
		}
		for _, due := range d.due {
			d.next = min(d.next, due)
		}
	}
}

// Take takes a reading.
func (d *Deriving) Take(t Told) {
	d.Advance(t.At)
	d.take(t)
}

func (d *Deriving) take(t Told) {
	d.Table[t.ID] = t.Reading
	d.tell(t)
	for _, i := range d.by[t.ID] {
		out, ok := d.calcs[i].Sample(t.At, &d.Table)
		d.due[i] = d.calcs[i].Due()
		d.next = min(d.next, d.due[i])
		if ok {
			d.derived(t.At, d.calcs[i].Output(), out)
		}
	}
}

func (d *Deriving) derived(at time.Duration, id rules.ChannelID, r limits.Result) {
	if r.Quality != rules.Missing && !id.Plausible(r.Value) {
		r = limits.Result{Cause: rules.Implausible}
	}
	d.take(Told{id, limits.Reading{At: at, Value: r.Value, Quality: r.Quality, Cause: r.Cause}})
}

// onlooker is the derivation of an engine that is looked at. What the engine derives for
// its own ends it derives as ever, and what it takes is noted; what nobody there decides
// by is worked out beside it, where it cannot move the engine.
type onlooker struct {
	limits.Derivation
	looks  [rules.ChannelCount]bool
	noted  []Told // since the last look
	told   []Told // the same of what is looked at, with what was worked out
	beside *Deriving
}

// Calculators adds to the engine's own a listener on each channel that is looked at, or
// that one rests on which is worked out here.
func (o *onlooker) Calculators(env *rules.Envelope, wanted func(rules.ChannelID) bool) ([]limits.Calculator, error) {
	own, err := o.Derivation.Calculators(env, wanted)
	if err != nil {
		return nil, err
	}
	var is, able [rules.ChannelCount]bool
	heeded := o.looks
	for _, c := range own {
		is[c.Output()] = true
	}
	for id, looks := range o.looks {
		if looks {
			_, err := o.Derivation.Calculators(env, func(other rules.ChannelID) bool { return int(other) == id })
			able[id] = err == nil // a channel that the pad does not state is left out
		}
	}
	all, err := o.Derivation.Calculators(env, func(id rules.ChannelID) bool { return able[id] })
	if err != nil {
		return nil, err
	}
	var beside []limits.Calculator
	for _, c := range all {
		id := c.Output()
		heeded[id] = is[id]
		if is[id] {
			continue
		}
		beside = append(beside, c)
		for _, in := range append(o.Needs(id), o.Helps(id)...) {
			heeded[in] = true
		}
	}
	o.beside = NewDeriving(beside, func(t Told) {
		if o.looks[t.ID] {
			o.told = append(o.told, t)
		}
	})
	var out []limits.Calculator
	for id, is := range heeded {
		if is {
			out = append(out, listener{rules.ChannelID(id), o})
		}
	}
	return append(out, own...), nil
}

// look returns what was told up to at since the last look; it is valid until the next.
func (o *onlooker) look(at time.Duration) []Told {
	o.told = o.told[:0]
	for _, t := range o.noted {
		o.beside.Take(t)
	}
	o.noted = o.noted[:0]
	o.beside.Advance(at)
	return o.told
}

// listener is a calculator that publishes nothing and notes what its channel read.
type listener struct {
	id rules.ChannelID
	o  *onlooker
}

func (l listener) Trigger() rules.ChannelID { return l.id }
func (l listener) Output() rules.ChannelID  { return l.id }
func (l listener) Due() time.Duration       { return rules.Never }
func (l listener) Clone() limits.Calculator { return l }

func (l listener) Tick(time.Duration, *limits.Table) (r limits.Result, ok bool) { return r, false }

func (l listener) Sample(_ time.Duration, t *limits.Table) (r limits.Result, ok bool) {
	l.o.noted = append(l.o.noted, Told{l.id, t[l.id]})
	return r, false
}
