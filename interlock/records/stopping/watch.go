package stopping

import (
	"math"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/derived"
	"downhaul/rules"
)

// Bounds of an opening; ours.
const (
	// still is the speed at which a rotor counts as standing, Hz, as the engine has it.
	still = 1.0
	// fullOutput is the share of its output from which on a motor runs at full, as
	// the reports have it.
	fullOutput = 0.95
	// lastHeard is the share of its speed that a rotor must still have been heard
	// at, or under, before it is heard standing: a speed that drops to nothing from
	// above that was lost with the controller's power, and is no rotor at rest.
	lastHeard = 0.25
	// longest is how long an opening is watched.
	longest = time.Minute
	// mirrorFor is how long the mirror contact may take: several times any drop-out.
	mirrorFor = 2 * time.Second
)

// Seen is one opening as it was seen from the relay's write on.
type Seen struct {
	// At is the engine time of the write.
	At time.Duration
	// Output is the lowest motor output at the opening, a share; Known reports whether
	// every motor's was told. Loaded reports whether some motor was above idle, or whether
	// nobody can tell.
	Output float64
	Known  bool
	Loaded bool
	// Live is how long the chain was live before it, Full how long of that some
	// motor was told to run at full output.
	Live, Full time.Duration
	// Mirror is when the mirror contact said open, after At; Opened reports whether it
	// did, Fitted that there is one.
	Mirror         time.Duration
	Opened, Fitted bool
	// Traced reports whether every rotor was followed until it stood: Standing is when
	// the last one did, Thrust the time of full thrust that the worst of them still
	// gave. Where it is false Why says why not.
	Traced           bool
	Standing, Thrust time.Duration
	Why              string
	// Step and Packs are what was declared for the run.
	Step  string
	Packs []string
}

// Watch follows the openings of a live chain. It belongs to the guard's loop: it
// allocates nothing, keeps nothing but the opening that it follows, and decides
// nothing.
type Watch struct {
	motors int
	idle   float64
	fitted bool
	done   func(Seen)

	live   bool
	liveAt time.Duration
	full   bool // a motor is told to run at full output
	fullAt time.Duration
	fully  time.Duration // for how long so far in this run
	rotors [derived.MaxMotors]rotor
	closed bool // the mirror contact, as last read
	open   bool // an opening is followed
	over   bool // nothing more will be known of its rotors
	seen   Seen
}

// rotor is what is known of one of them.
type rotor struct {
	at, outAt time.Duration
	hz        float64 // as last heard
	out       float64
	heard     bool
	told      bool

	// Of the opening that is followed.
	from     float64 // hz at the opening
	last     time.Duration
	sum      float64 // ∫(n/n₀)² dt, s
	slow     bool    // was heard slow before it stood
	standing bool
}

// NewWatch follows that many motors; idle is the highest output that is no load,
// fitted reports whether a mirror contact is read. done gets every opening when all is
// known of it that will be; it must not wait.
func NewWatch(motors int, idle float64, fitted bool, done func(Seen)) *Watch {
	return &Watch{motors: min(max(motors, 0), derived.MaxMotors), idle: idle, fitted: fitted, done: done}
}

// Take takes an input before the engine does.
func (w *Watch) Take(at time.Duration, in *interlock.Input) {
	switch in.Kind {
	case interlock.LineInput:
		if in.Line == interlock.Readback {
			w.mirror(at, in.On)
		}
	case interlock.SampleInput:
		s := &in.Sample
		if s.Quality != rules.Good {
			return
		}
		if i := int(s.Channel) - int(rules.Motor1Speed); i >= 0 && i < w.motors {
			w.speed(at, &w.rotors[i], math.Abs(s.Value))
		} else if i := int(s.Channel) - int(rules.Motor1Output); i >= 0 && i < w.motors {
			w.rotors[i].outAt, w.rotors[i].out, w.rotors[i].told = at, s.Value, true
			w.output(at)
		}
	}
}

// Decided takes what the engine decided at that time.
func (w *Watch) Decided(at time.Duration, f *interlock.Effect) {
	switch {
	case f.Kind == interlock.RelayEffect && !f.On && w.live:
		w.output(at)
		w.live = false
		w.opens(at)
	case f.Kind == interlock.StateEffect:
		was := w.live
		if w.live = f.State == interlock.Live || f.State == interlock.Lowering; w.live && !was {
			w.liveAt, w.fully = at, 0
			w.output(at)
		}
		if f.State == interlock.Closing && w.open {
			w.ends(at, "the next start came before the rotors were heard standing")
			w.open, w.over = false, false
		}
	}
}

// Turn lets time pass: an opening is not followed for ever, nor a rotor that is silent.
func (w *Watch) Turn(at time.Duration) {
	if !w.open {
		return
	}
	if w.over {
		w.handOver(at)
		return
	}
	if at-w.seen.At >= longest {
		w.ends(at, "a rotor was still told to turn after "+rules.FormatDuration(longest))
		return
	}
	for i := range w.motors {
		if r := &w.rotors[i]; !r.standing && at-r.last > (rules.Motor1Speed+rules.ChannelID(i)).Stale() {
			w.ends(at, "a rotor's speed fell silent before it stood")
			return
		}
	}
}

// End hands over an opening that is followed, as nothing more comes; open reports whether the
// mirror contact was last seen open.
func (w *Watch) End(at time.Duration, open bool) {
	w.mirror(at, !open)
	w.ends(at, "the guard ended before the rotors were heard standing")
	if w.open {
		w.open, w.over = false, false
		w.done(w.seen)
	}
}

func (w *Watch) mirror(at time.Duration, closed bool) {
	if w.closed = closed; w.open && !closed && !w.seen.Opened {
		w.seen.Opened, w.seen.Mirror = true, at-w.seen.At
		w.handOver(at)
	}
}

// output adds up the time in which some motor of a live chain is told to run at full
// output.
func (w *Watch) output(at time.Duration) {
	if w.live && w.full {
		w.fully += min(at-max(w.fullAt, w.liveAt), rules.Motor1Output.Stale())
	}
	w.full, w.fullAt = false, at
	for i := range w.motors {
		r := &w.rotors[i]
		w.full = w.full || r.told && r.out >= fullOutput && at-r.outAt <= rules.Motor1Output.Stale()
	}
}

func (w *Watch) opens(at time.Duration) {
	w.open = true
	w.seen = Seen{At: at, Live: at - w.liveAt, Full: w.fully, Fitted: w.fitted, Known: w.motors > 0, Output: 1}
	if w.fitted && !w.closed {
		w.seen.Opened = true // it opened first
	}
	turning, known := false, w.motors > 0
	for i := range w.motors {
		r := &w.rotors[i]
		if !r.told || at-r.outAt > (rules.Motor1Output+rules.ChannelID(i)).Stale() {
			w.seen.Known, w.seen.Loaded = false, true
		} else {
			w.seen.Output = min(w.seen.Output, r.out)
			w.seen.Loaded = w.seen.Loaded || r.out > w.idle
		}
		if !r.heard || at-r.at > (rules.Motor1Speed+rules.ChannelID(i)).Stale() {
			known = false
			continue
		}
		r.from, r.last, r.sum, r.slow = r.hz, at, 0, false
		r.standing = r.hz <= still
		turning = turning || !r.standing
	}
	if w.motors == 0 {
		w.seen.Loaded = true
	}
	switch {
	case !known:
		w.ends(at, "the craft does not tell every rotor's speed")
	case !turning:
		w.ends(at, "no rotor turned")
	}
}

// speed takes a rotor's speed. Until the next one comes it counts as the faster
// of the two between which it lies: whatever the rotor did meanwhile, its thrust
// is not reckoned too small.
func (w *Watch) speed(at time.Duration, r *rotor, hz float64) {
	was := r.hz
	r.at, r.hz, r.heard = at, hz, true
	if !w.open || w.over || r.standing {
		return
	}
	r.sum += float64(squared(max(was, hz)/r.from) * (at - r.last).Seconds())
	r.last = at
	switch {
	case hz > still:
		r.slow = hz <= max(lastHeard*r.from, 2*still)
		return
	case !r.slow:
		w.ends(at, "a rotor's speed dropped to nothing at once, so that it was lost and did not stand")
		return
	}
	r.standing = true
	w.seen.Standing = max(w.seen.Standing, at-w.seen.At)
	w.seen.Thrust = max(w.seen.Thrust, time.Duration(math.Ceil(r.sum*1e9)))
	for i := range w.motors {
		if !w.rotors[i].standing {
			return
		}
	}
	w.seen.Traced = true
	w.ends(at, "")
}

func squared(x float64) float64 { return x * x }

// ends reports whether nothing more will be known of the rotors. What was seen is
// handed over once the mirror contact had its time, too.
func (w *Watch) ends(at time.Duration, why string) {
	if !w.open || w.over {
		return
	}
	w.over, w.seen.Why = true, why
	if !w.seen.Traced {
		w.seen.Standing, w.seen.Thrust = 0, 0
	}
	w.handOver(at)
}

func (w *Watch) handOver(at time.Duration) {
	if w.over && (w.seen.Opened || !w.fitted || at-w.seen.At >= mirrorFor) {
		w.open, w.over = false, false
		w.done(w.seen)
	}
}
