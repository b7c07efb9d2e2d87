package prove

import (
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/rules"
)

// wrongCore is the guard's engine behind something that changes what goes in or
// comes out: a seeded defect.
type wrongCore struct {
	core
	in  func(c core, in *interlock.Input) bool // false: the engine never hears of it
	out func(effects []interlock.Effect) []interlock.Effect
}

func (w *wrongCore) clone() core { return &wrongCore{w.core.clone(), w.in, w.out} }

func (w *wrongCore) Step(at time.Duration, in *interlock.Input) []interlock.Effect {
	x := *in
	if w.in != nil && !w.in(w.core, &x) {
		return w.change(w.core.Advance(at))
	}
	return w.change(w.core.Step(at, &x))
}

func (w *wrongCore) Advance(at time.Duration) []interlock.Effect { return w.change(w.core.Advance(at)) }

func (w *wrongCore) change(effects []interlock.Effect) []interlock.Effect {
	if w.out == nil {
		return effects
	}
	return w.out(slices.Clone(effects))
}

// wrongDoor is the guard's intake behind something that changes the bytes.
type wrongDoor struct {
	door
	change func(c *intake.Chunk) []byte
	after  func(in []interlock.Input) []interlock.Input
}

func (w *wrongDoor) clone() door { return &wrongDoor{w.door.clone(), w.change, w.after} }

func (w *wrongDoor) Append(dst []interlock.Input, c *intake.Chunk) []interlock.Input {
	if w.change != nil && c.Source == intake.Telemetry {
		x := *c
		x.Bytes = w.change(&x)
		c = &x
	}
	got := w.door.Append(dst, c)
	if w.after != nil {
		got = w.after(got)
	}
	return got
}

// defect is one thing that is wrong in the core under proof.
type defect struct {
	name string
	// rule changes one rule of the envelope that the core is given.
	rule   string
	change func(r *rules.Rule)
	// permit changes one condition of a start.
	permit func(c *rules.Permissive)
	// site and doors change what the core knows of the pad and hears.
	site  func(s *interlock.Site)
	in    func(c core, in *interlock.Input) bool
	out   func(effects []interlock.Effect) []interlock.Effect
	bytes func(c *intake.Chunk) []byte
	after func(in []interlock.Input) []interlock.Input
	// leak lets a telemetry chunk past the door for signed frames.
	leak func(c *intake.Chunk) bool
	// rows are the rules, if they are not the demo's.
	rows string
	// pad is the pad file, if it is not the demo's.
	pad string
	// found is what the proof must say, as "rule: case"; "" any.
	found string
}

// seeded are wrong engines and intakes, one fault each.
var seeded = []defect{
	{name: "one rule ignores its lasting", rule: "tether overload", change: func(r *rules.Rule) { r.Lasting = 0 }, found: "tether overload above: back in time"},
	{name: "lasting is twice as long", rule: "tilt", change: func(r *rules.Rule) { r.Lasting *= 20 }, found: "tilt above: outside"},
	{name: "clears in the deadband", rule: "tether overload", change: func(r *rules.Rule) { r.Deadband = 0 }, found: "tether overload above: held in the deadband"},
	{name: "clears in the deadband below", rule: "pack floor", change: func(r *rules.Rule) { r.Deadband = 0 }, found: "pack floor below: dither in the deadband"},
	{name: "never clears", rule: "gust", change: func(r *rules.Rule) { r.Deadband, r.HasCaution = 7, false }, found: "gust above: fully back"},
	{name: "trips at the limit itself", rule: "tether overload", change: func(r *rules.Rule) { r.Limit -= 1e-9 }, found: "tether overload above: inside"},
	{name: "limit a step too high", rule: "pack floor", change: func(r *rules.Rule) { r.Limit -= 0.0015 }, found: "pack floor below: outside"},
	{name: "limit in the wrong unit", rule: "gust", change: func(r *rules.Rule) { r.Limit *= 1.944; r.Caution *= 1.944 }, found: "gust above: outside"},
	{name: "misses silence", rule: "tether overload", change: func(r *rules.Rule) { r.WhenMissing = rules.MissingCautions }, found: "tether overload above: silence"},
	{name: "stale too late", rule: "ceiling", change: func(r *rules.Rule) { r.StaleAfter += time.Millisecond }, found: "ceiling above: silence"},
	{name: "stale too soon", rule: "pack floor", change: func(r *rules.Rule) { r.StaleAfter -= 100 * time.Millisecond }, found: "pack floor below: silence"},
	{name: "not watched for freezing", rule: "tilt", in: func(_ core, in *interlock.Input) bool {
		// A digit that nobody sent moves.
		if in.Kind == interlock.SampleInput && (in.Sample.Channel == rules.Roll || in.Sample.Channel == rules.Pitch) && in.Sample.Quality == rules.Good {
			in.Sample.Value += wobble()
		}
		return true
	}, found: "tilt above: frozen"},
	{name: "a missing channel stops softly", rule: "ceiling", change: func(r *rules.Rule) { r.MissingStop, r.MissingGrace = rules.Controlled, 5*time.Second }, found: "ceiling above: silence"},
	{name: "the wrong stop", rule: "tilt", change: func(r *rules.Rule) { r.Stop, r.Grace = rules.Controlled, 5*time.Second }, found: "tilt above: stop"},
	{name: "grace too long", rule: "pack floor", change: func(r *rules.Rule) { r.Grace += 5 * time.Second }, found: "pack floor below: stop"},
	{name: "acts out of its phase", rule: "tilt", change: func(r *rules.Rule) { r.While = rules.Always }, found: "tilt above: out of its phase"},
	{name: "unknown is not airborne", rule: "tilt", in: stillKnown(), found: "tilt above: phase unknown"},
	{name: "wakes late", in: lateTakeoff(), found: "tilt above: wakes"},
	{name: "wakes with its eyes shut", in: seesOnWaking(), found: "tilt above: wakes blind"},
	{name: "watches another channel", rule: "tilt", change: func(r *rules.Rule) { r.Watch = rules.Pitch }, found: "tilt above: "},
	{name: "not a number passes for upright", after: func(in []interlock.Input) []interlock.Input {
		for i := range in {
			if s := &in[i].Sample; in[i].Kind == interlock.SampleInput && s.Cause == rules.NotANumber {
				s.Quality, s.Cause, s.Value = rules.Good, rules.NoCause, wobble()
			}
		}
		return in
	}, found: "tilt above: not a number"},
	{name: "the word for unknown passes for a good cell", after: func(in []interlock.Input) []interlock.Input {
		for i := range in {
			if s := &in[i].Sample; in[i].Kind == interlock.SampleInput && s.Channel == rules.Pack1LowestCell && s.Cause == rules.Sentinel {
				s.Quality, s.Cause, s.Value = rules.Good, rules.NoCause, 4
			}
		}
		return in
	}, found: "pack floor below: unknown"},
	{name: "counts another system's frames", bytes: func(c *intake.Chunk) []byte {
		b := slices.Clone(c.Bytes)
		if b[5] == 2 {
			return resigned(b, 1)
		}
		return b
	}, found: "pack floor below: wrong sender"},
	{name: "an overtaken frame is a sample", after: nil, bytes: renewClock(), found: "tilt above: late data"},
	{name: "the gate is not heard", in: deaf(interlock.Gate), found: "built-in: gate"},
	{name: "one contact of the stop is not heard", in: deaf(interlock.EStopB), found: "built-in: emergency stop, estop_b only"},
	{name: "the readback is not heard opening", in: func(c core, in *interlock.Input) bool {
		if in.Kind != interlock.LineInput || in.Line != interlock.Readback || in.On {
			return true
		}
		var v interlock.View
		c.View(&v)
		return v.State != interlock.Live
	}, found: "built-in: readback opens"},
	{name: "a held-up loop is not told", in: withoutHost(interlock.HostHeldUp), found: "built-in: loop held up"},
	{name: "a clash is not told", in: withoutHost(interlock.HostClash), found: "built-in: two senders under one identity"},
	{name: "silence of the craft for too long", site: func(s *interlock.Site) { s.LinkStale *= 2 }, found: "built-in: silence of the craft"},
	{name: "lines unread for too long", site: func(s *interlock.Site) { s.PinStale += 10 * time.Millisecond }, found: "built-in: input lines unread"},
	{name: "a restart passes", in: func(_ core, in *interlock.Input) bool {
		return in.Kind != interlock.SampleInput || in.Sample.Channel != rules.CraftBootClock
	}, found: "built-in: craft restarts in flight"},
	{name: "a short reset will do", site: func(s *interlock.Site) { s.ResetShortest = time.Millisecond }, found: "built-in: reset too short"},
	{name: "a taped-down reset will do", site: func(s *interlock.Site) { s.ResetLongest = time.Hour }, found: "built-in: reset taped down"},
	{name: "no horn", site: func(s *interlock.Site) { s.Horn = 1800 * time.Millisecond }, found: "built-in: start"},
	{name: "outputs up will do", site: func(s *interlock.Site) { s.IdleOutput = 1 }, found: "built-in: start with outputs up"},
	{name: "a start condition is not read", permit: func(c *rules.Permissive) { c.Limit = 50 }, found: "to start: calm enough to start"},
	{name: "a start condition is too strict", permit: func(c *rules.Permissive) { c.Limit -= 0.1 }, found: "to start: calm enough to start"},
	{name: "a start condition never grows old", permit: func(c *rules.Permissive) { c.StaleAfter = time.Hour }, found: "to start: calm enough to start, silent"},
	{name: "a lost start condition is not put on record", out: without(func(f *interlock.Effect) bool { return f.Reason == interlock.ReasonPermissiveLost }),
		found: "to start: calm enough to start, lost while live"},
	{name: "a lost start condition trips", in: tripsWhenLost(), found: "to start: calm enough to start, lost while live"},
	{name: "a full disk is not told", in: withoutHost(interlock.HostDisk), found: "to start: no room for records"},
	{name: "a proof test that is due is not told", in: withoutHost(interlock.HostProof), found: "to start: a proof test is due"},
	{name: "the ledger is not told", in: withoutHost(interlock.HostLedger), found: "to start: a fault of the chain or a defect stands open"},
	{name: "the card is not told", in: withoutHost(interlock.HostCard), found: "to start: the card asks for more"},
	{name: "nobody asks how long the rotors take to stop", site: func(s *interlock.Site) { s.Rotors.Measured = true }, found: "to start: stop not proven"},
	{name: "any height will do for a start", site: func(s *interlock.Site) { s.LowHeight = 50 }, found: "to start: height above zero"},
	{name: "a height a little too far off will do", site: func(s *interlock.Site) { s.LowHeight += 0.05 }, found: "to start: height below zero"},
	{name: "a height that is near zero will not do", site: func(s *interlock.Site) { s.LowHeight = 0.4 }, found: "to start: height near zero"},
	{name: "a height below the pad is taken for zero", in: neverBelow(), found: "to start: height below zero"},
	{name: "a height that was off is never near again", in: staysOff(), found: "to start: height near zero"},
	{name: "a height that is silent is believed before a start", rule: "ceiling", change: func(r *rules.Rule) { r.StaleAfter = time.Hour }, found: "to start: height silent"},
	{name: "a stop that is pressed is not seen before a start", in: wasSaid(interlock.EStopA, interlock.EStopB), found: "to start: emergency stop pressed"},
	{name: "a switch that is let go is not heard", in: deaf(interlock.Hold), pad: provingPad, found: "to start: hold-to-run let go"},
	{name: "an unsigned frame will do", leak: func(c *intake.Chunk) bool { return c.Bytes[2]&1 == 0 && c.Bytes[5] == 1 }, found: "pack floor below: forged frames"},
	{name: "an unsigned frame keeps it alive", leak: func(c *intake.Chunk) bool { return c.Bytes[2]&1 == 0 && c.Bytes[5] == 1 }, found: "built-in: frames unsigned"},
	{name: "any key will do", leak: func(c *intake.Chunk) bool { return !signedWell(c.Bytes) }, found: "tilt above: forged frames"},
	{name: "any key keeps it alive", leak: func(c *intake.Chunk) bool { return !signedWell(c.Bytes) }, found: "built-in: frames signed with another key"},
	{name: "what is said again will do", leak: func(c *intake.Chunk) bool { return signedWell(c.Bytes) && off(c, craftLink, -5) }, found: "tilt above: forged frames"},
	{name: "what is said again keeps it alive", leak: func(c *intake.Chunk) bool { return signedWell(c.Bytes) && off(c, craftLink, -5) }, found: "built-in: frames said again"},
	{name: "an old stamp will do", leak: func(c *intake.Chunk) bool { return off(c, freshLink, -62) }, found: "built-in: frames over a minute old"},
	{name: "a stamp of tomorrow will do", leak: func(c *intake.Chunk) bool { return off(c, freshLink, 62) }, found: "built-in: frames over a minute ahead"},
	{name: "a rate ignores its lasting", rows: rateRow, rule: "pull", change: func(r *rules.Rule) { r.Lasting = time.Millisecond }, found: "pull rising: back in time"},
	{name: "a rate lasts half as long", rows: rateRow, rule: "pull", change: func(r *rules.Rule) { r.Lasting /= 2 }, found: "pull rising: chatter"},
	{name: "a rate's deadband is not kept", rows: rateRow, rule: "pull", change: func(r *rules.Rule) { r.Deadband = 1e-9 }, found: "pull rising: dither in the deadband"},
	{name: "a rate is over in the deadband", rows: rateRow, rule: "pull", change: func(r *rules.Rule) { r.Deadband = 1e-9 }, found: "pull rising: held in the deadband"},
	{name: "a rate is never over", rows: rateRow, rule: "pull", change: func(r *rules.Rule) { r.Deadband = 2 * r.Limit }, found: "pull rising: fully back"},
	{name: "a rate over twice the span", rows: rateRow, rule: "pull", change: func(r *rules.Rule) { r.Over *= 2 }, found: "pull rising: step"},
	{name: "a jump is smoothed away", rows: rateRow, in: smoothed(), found: "spike rising: one sample"},
	{name: "a rate in the wrong unit", rows: rateRow, rule: "pull", change: func(r *rules.Rule) { r.Limit *= 1.05 }, found: "pull rising: outside"},
	{name: "a change of tension that is half", rows: rateRow, in: scaled(rules.Tension, 0.5), found: "jerk above: outside"},
	{name: "a change of tension over its limit", rows: rateRow, rule: "jerk", change: func(r *rules.Rule) { r.Limit *= 0.99 }, found: "jerk above: inside"},
	{name: "a change of tension that lasts too long", rows: rateRow, rule: "jerk", change: func(r *rules.Rule) { r.Lasting *= 2 }, found: "jerk above: step"},
	{name: "a resistance a twentieth too low", rows: packRow, pad: provingPad, in: scaled(rules.Pack1Current, 1.05), found: "worn pack above: inside"},
	{name: "a resistance of a little less trips", rows: packRow, pad: provingPad, rule: "worn pack", change: func(r *rules.Rule) { r.Limit *= 0.995 }, found: "worn pack above: inside"},
	{name: "a current that sticks is believed", rows: packRow, pad: provingPad, in: flickers(), found: "worn pack above: frozen"},
	{name: "the sag is not taken out", rows: packRow, pad: provingPad, in: shifted(rules.Pack1Current, -10), found: "empty below: inside"},
	{name: "a resting voltage that is never missed", rows: packRow, pad: provingPad, rule: "empty", change: func(r *rules.Rule) { r.StaleAfter *= 3 }, found: "empty below: silence"},
	{name: "the link may be older", rows: ageRow, rule: "age", change: func(r *rules.Rule) { r.Limit += 1e-3 }, found: "age above: outside"},
	{name: "the link may not be so old", rows: ageRow, rule: "age", change: func(r *rules.Rule) { r.Limit -= 1e-3 }, found: "age above: inside"},
	{name: "the age ignores its lasting", rows: ageRow, rule: "age, lasting", change: func(r *rules.Rule) { r.Lasting = 0 }, found: "age, lasting above: back in time"},
	{name: "the age lasts half as long", rows: ageRow, rule: "age, lasting", change: func(r *rules.Rule) { r.Lasting /= 2 }, found: "age, lasting above: chatter"},
	{name: "the age stops softly", rows: ageRow, rule: "age", change: func(r *rules.Rule) { r.Stop, r.Grace = rules.Controlled, time.Second }, found: "age above: stop"},
	{name: "the age never clears", rows: ageRow, out: without(func(f *interlock.Effect) bool { return f.Kind == interlock.ClearEffect }), found: "age above: fully back"},
	{name: "another system keeps the link young", rows: ageRow, bytes: func(c *intake.Chunk) []byte {
		if b := slices.Clone(c.Bytes); b[5] == 2 {
			return resigned(b, 1)
		}
		return c.Bytes
	}, found: "age above: wrong sender"},
	{name: "an unsigned frame keeps the link young", rows: ageRow, leak: func(c *intake.Chunk) bool { return c.Bytes[2]&1 == 0 && c.Bytes[5] == 1 }, found: "age above: forged frames"},
	{name: "the relay is told a call late", out: lateRelay(), found: "tilt above: stop"},
	{name: "the end's grace is too long", site: func(s *interlock.Site) { s.EndGrace += time.Second }, found: "built-in: end in the air"},
}

// build puts a defect between the proof and the core.
func (d *defect) build(env *rules.Envelope, site interlock.Site, in intake.Config) (core, door, error) {
	if d.change != nil {
		e := *env
		e.Rules = slices.Clone(env.Rules)
		for i := range e.Rules { // a rule may be proved in a core without this one
			if e.Rules[i].Name == d.rule {
				d.change(&e.Rules[i])
			}
		}
		env = &e
	}
	if d.permit != nil {
		e := *env
		e.Permissives = slices.Clone(env.Permissives)
		for i := range e.Permissives {
			d.permit(&e.Permissives[i])
		}
		env = &e
	}
	if d.site != nil {
		d.site(&site)
	}
	c, k, err := openReal(env, site, in)
	if err != nil {
		return nil, nil, err
	}
	if d.in != nil || d.out != nil {
		c = &wrongCore{c, d.in, d.out}
	}
	if d.bytes != nil || d.after != nil {
		k = &wrongDoor{k, d.bytes, d.after}
	}
	return c, k, nil
}

// A proof that finds nothing in a wrong core proves nothing.
func TestSeededFaultsAreFound(t *testing.T) {
	if testing.Short() {
		t.Skip("takes several seconds; left out by -short")
	}
	envelope, padText := demoFile(t, "envelope.toml"), demoFile(t, "pad.toml")
	for _, d := range seeded {
		t.Run(d.name, func(t *testing.T) {
			on := padText
			if d.pad != "" {
				var err error
				on, err = os.ReadFile(d.pad)
				must(t, err)
			}
			text := envelope
			if d.rows != "" {
				text = []byte("version = 1\ntitle = \"seeded\"\n" + d.rows)
			}
			s := setupOf(t, text, on)
			s.open = d.build
			if d.leak != nil {
				s = signed(s, d.leak)
			}
			// Only what must find it is run: all of it together takes long.
			s.only = func(rule string) bool {
				if rule == "" {
					return strings.HasPrefix(d.found, "built-in") || strings.HasPrefix(d.found, "to start")
				}
				return strings.HasPrefix(d.found, rule+" ")
			}
			r, err := Run(s)
			if err != nil {
				if d.found != "" {
					t.Fatalf("the proof could not be made: %v", err)
				}
				return
			}
			own, err := ownCases(s)
			must(t, err)
			all := faults(r, own...)
			if len(all) == 0 {
				t.Fatal("the proof passed")
			}
			if !slices.ContainsFunc(all, func(f string) bool { return strings.HasPrefix(f, d.found) }) {
				t.Errorf("%q was not among what it found:\n%s", d.found, strings.Join(all, "\n"))
			}
		})
	}
}
