package interlock

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/derived"
	"downhaul/rules"
)

var rewrite = flag.Bool("rewrite", false, "rewrite the expected part of the scripts; only for somebody who can say why")

// rig feeds an engine like a pad would: every 10 ms the pins, a frame and one
// sample of every channel that is set.
type rig struct {
	t      *testing.T
	e      *Engine
	now    time.Duration
	values []rigValue
	lines  [LineCount]bool
	pins   bool
	frames bool
	kept   bool // keep trip records at once
	follow time.Duration
	change time.Duration // when the modelled contactor follows
	chain  bool          // relay and heartbeat both commanded
	relay  bool
	beat   bool
	out    []string
	extra  time.Duration // spacing of superfluous Advances, 0 for none
	boot   float64
}

type rigValue struct {
	id     rules.ChannelID
	v      float64
	q      rules.Quality
	silent bool
}

const rigTick = 10 * time.Millisecond

func newRig(t *testing.T, envelope string, change func(*Site)) *rig {
	t.Helper()
	env, faults := rules.ReadEnvelope("envelope.toml", []byte(envelope))
	if env == nil {
		t.Fatal(faults)
	}
	site := DefaultSite()
	site.Duty = Guard
	site.StopProven, site.StopTime = true, time.Second
	for l := range site.Fitted {
		site.Fitted[l] = Line(l) != Hold
	}
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		if !id.Channel().Derived {
			site.Fed[id] = rules.CraftSays
		}
	}
	site.Derived = derived.Config{HeightSources: []rules.ChannelID{rules.HeightGlobal}, MaxAcceleration: 5, Reaction: 300 * time.Millisecond, Motors: 1, Cells: 1}
	if change != nil {
		change(&site)
	}
	e, err := New(env, site)
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{t: t, e: e, pins: true, frames: true, kept: true, follow: 30 * time.Millisecond, change: rules.Never, boot: 100}
	r.lines[EStopA], r.lines[EStopB], r.lines[Gate] = true, true, true
	for _, v := range []struct {
		id rules.ChannelID
		v  float64
	}{{rules.CraftArmed, 0}, {rules.CraftLanded, 1}, {rules.ClimbGlobal, 0}, {rules.HeightGlobal, 0}, {rules.Motor1Output, 0}, {rules.Motor1Speed, 0}} {
		r.set(v.id, v.v, rules.Good)
	}
	return r
}

func (r *rig) set(id rules.ChannelID, v float64, q rules.Quality) {
	for i := range r.values {
		if r.values[i].id == id {
			r.values[i] = rigValue{id: id, v: v, q: q}
			return
		}
	}
	r.values = append(r.values, rigValue{id: id, v: v, q: q})
}

func (r *rig) silence(id rules.ChannelID) {
	for i := range r.values {
		if r.values[i].id == id {
			r.values[i].silent = true
		}
	}
}

func (r *rig) apply(effects []Effect) {
	for _, f := range effects {
		switch f.Kind {
		case RelayEffect:
			r.relay = f.On
		case BeatEffect:
			r.beat = f.On
		}
		r.out = append(r.out, r.say(f))
		if f.Kind == TripEffect && r.kept {
			defer func() { r.step(Input{Kind: HostInput, Host: HostKept, Seq: f.Trip}) }()
		}
	}
	if chain := r.relay && r.beat; chain != r.chain {
		r.chain = chain
		r.change = r.now + r.follow
	}
}

// say is one effect in a line that reads aloud.
func (r *rig) say(f Effect) string {
	s := fmt.Sprintf("%.3f s ", f.At.Seconds())
	rule := ""
	if f.Rule >= 0 {
		rule = " [" + r.e.env.Rules[f.Rule].Name + "]"
	}
	value := ""
	if f.HasValue {
		value = fmt.Sprintf(" at %.6g, limit %.6g", f.Value, f.Limit)
	}
	if f.Cause != rules.NoCause {
		value += " (" + f.Cause.String() + ")"
	}
	switch f.Kind {
	case RelayEffect:
		s += "relay " + onOff(f.On)
	case BeatEffect:
		s += "heartbeat " + onOff(f.On)
	case SoundEffect:
		s += "sound " + f.Sound.String()
	case LampEffect:
		s += "lamp"
	case StateEffect:
		s += fmt.Sprintf("%v -> %v: %v%s", f.From, f.State, f.Reason, rule)
	case TripEffect:
		first := ""
		if f.FirstOut {
			first = " first-out"
		}
		s += fmt.Sprintf("trip %d%s, %v: %v%s%s", f.Trip, first, f.Stop, f.Reason, rule, value)
	case CautionEffect:
		s += fmt.Sprintf("caution %s: %v%s%s", onOff(f.On), f.Reason, rule, value)
	case ClearEffect:
		s += fmt.Sprintf("cause gone%s%s", rule, value)
	case NoteEffect:
		s += fmt.Sprintf("note %v: %v", f.Line, f.Reason)
	}
	return s
}

func onOff(on bool) string {
	if on {
		return "on"
	}
	return "off"
}

func (r *rig) step(in Input) { r.apply(r.e.Step(r.now, in)) }

// run lets time pass.
func (r *rig) run(d time.Duration) {
	for end := r.now + d; r.now < end; {
		r.now += rigTick
		if r.extra > 0 {
			for t := r.now - rigTick; t < r.now; t += r.extra {
				r.apply(r.e.Advance(t))
			}
		}
		if r.change <= r.now {
			r.change = rules.Never
			r.lines[Readback] = r.chain
		}
		if r.pins {
			for l := range LineCount {
				if r.e.site.Fitted[l] {
					r.step(Input{Kind: LineInput, Line: l, On: r.lines[l]})
				}
			}
		}
		if r.frames {
			r.boot += rigTick.Seconds()
			r.step(Input{Kind: FrameInput})
			r.step(Input{Kind: SampleInput, Sample: Sample{Channel: rules.CraftBootClock, Value: r.boot, Quality: rules.Good}})
		}
		for _, v := range r.values {
			if !v.silent {
				s := Sample{Channel: v.id, Value: v.v, Quality: v.q}
				if v.q == rules.Missing {
					s.Cause = rules.Sentinel
				}
				r.step(Input{Kind: SampleInput, Sample: s})
			}
		}
	}
}

// line works one line and lets the pins be read once.
func (r *rig) press(l Line, held time.Duration) {
	r.lines[l] = true
	r.run(held)
	r.lines[l] = false
	r.run(rigTick)
}

// live brings the engine to Live, craft on the ground.
func (r *rig) live() {
	r.t.Helper()
	r.run(100 * time.Millisecond)
	r.press(Reset, 300*time.Millisecond)
	r.run(11 * time.Second)
	if r.e.state != Ready {
		r.t.Fatalf("not ready: %v; %s", r.e.state, strings.Join(r.out, "\n"))
	}
	r.press(Start, 200*time.Millisecond)
	r.run(4 * time.Second)
	if r.e.state != Live {
		r.t.Fatalf("not live: %v; %s", r.e.state, strings.Join(r.out, "\n"))
	}
}

// take hands out what was said since the last call.
func (r *rig) take() []string {
	out := r.out
	r.out = nil
	return out
}

// TestScripts plays testdata/script/*.txt: the first line says what is proved,
// then "envelope" text up to "----", then commands, and after each command the
// effects it brought, one a line, indented.
func TestScripts(t *testing.T) {
	files, err := filepath.Glob("testdata/script/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatalf("no scripts in testdata/script: %v", err)
	}
	for _, name := range files {
		t.Run(strings.TrimSuffix(filepath.Base(name), ".txt"), func(t *testing.T) { playScript(t, name, 0) })
		t.Run(strings.TrimSuffix(filepath.Base(name), ".txt")+"/woken too often", func(t *testing.T) { playScript(t, name, 3*time.Millisecond) })
	}
}

func playScript(t *testing.T, name string, extra time.Duration) {
	text, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	head, body, ok := strings.Cut(string(text), "\n----\n")
	if !ok || !strings.HasPrefix(head, "# ") {
		t.Fatal("want a first line that says what is proved, an envelope, and a line ----")
	}
	_, envelope, _ := strings.Cut(head, "\n")
	var r *rig
	site := func(*Site) {}
	for _, line := range strings.Split(envelope, "\n") {
		if s, ok := strings.CutPrefix(line, "#site "); ok {
			prev := site
			site = func(x *Site) { prev(x); siteOption(t, x, s) }
		}
	}
	r = newRig(t, envelope, site)
	r.extra = extra
	var got strings.Builder
	for _, line := range strings.Split(body, "\n") {
		if line == "" || strings.HasPrefix(line, "    ") {
			continue
		}
		got.WriteString(line + "\n")
		if strings.HasPrefix(line, "#") {
			continue
		}
		r.command(line)
		for _, s := range r.take() {
			got.WriteString("    " + s + "\n")
		}
		fmt.Fprintf(&got, "    = %v\n", r.e.state)
	}
	if *rewrite && extra == 0 {
		if err := os.WriteFile(name, []byte(head+"\n----\n"+got.String()), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if got.String() != body {
		t.Errorf("%s:\ngot\n%s\nwant\n%s", name, got.String(), body)
	}
}

func siteOption(t *testing.T, s *Site, text string) {
	switch text {
	case "duty watch":
		s.Duty = Watch
	case "after a trip":
		s.PowerUp = EndedInTrip
	case "after a fault":
		s.PowerUp = EndedInFault
	case "hold fitted":
		s.Fitted[Hold] = true
	case "no readback":
		s.Fitted[Readback] = false
	case "stop not proven":
		s.StopProven = false
	default:
		t.Fatalf("no site option %q", text)
	}
}

func (r *rig) command(line string) {
	r.t.Helper()
	f := strings.Fields(line)
	channel := func(name string) rules.ChannelID {
		c, ok := rules.Lookup(name)
		if !ok {
			r.t.Fatalf("%q: no channel %q", line, name)
		}
		return c.ID
	}
	lineOf := func(name string) Line {
		for l := range LineCount {
			if l.String() == name {
				return l
			}
		}
		r.t.Fatalf("%q: no line %q", line, name)
		return 0
	}
	span := func(s string) time.Duration {
		d, err := time.ParseDuration(s)
		if err != nil {
			r.t.Fatalf("%q: %v", line, err)
		}
		return d
	}
	switch f[0] {
	case "run":
		r.run(span(f[1]))
	case "live":
		r.live()
		r.out = nil
	case "set":
		v, err := strconv.ParseFloat(f[2], 64)
		if err != nil {
			r.t.Fatal(err)
		}
		q := rules.Good
		if len(f) > 3 && f[3] == "doubtful" {
			q = rules.Doubtful
		}
		r.set(channel(f[1]), v, q)
	case "missing":
		r.set(channel(f[1]), 0, rules.Missing)
	case "silence":
		r.silence(channel(f[1]))
	case "fly":
		r.set(rules.CraftArmed, 1, rules.Good)
		r.set(rules.CraftLanded, 0, rules.Good)
		r.set(rules.HeightGlobal, 3, rules.Good)
		r.set(rules.Motor1Output, 0.5, rules.Good)
		r.set(rules.Motor1Speed, 40, rules.Good)
	case "land":
		r.set(rules.CraftArmed, 0, rules.Good)
		r.set(rules.CraftLanded, 1, rules.Good)
		r.set(rules.HeightGlobal, 0, rules.Good)
		r.set(rules.Motor1Output, 0, rules.Good)
		r.set(rules.Motor1Speed, 0, rules.Good)
	case "on", "off":
		r.lines[lineOf(f[1])] = f[0] == "on"
		r.run(rigTick)
	case "press":
		r.press(lineOf(f[1]), span(f[2]))
	case "pins":
		r.pins = f[1] == "on"
	case "frames":
		r.frames = f[1] == "on"
	case "keep":
		r.kept = f[1] == "on"
	case "weld":
		r.follow = time.Hour
	case "reboot":
		r.boot = 0
	case "kept":
		n, _ := strconv.Atoi(f[1])
		r.step(Input{Kind: HostInput, Host: HostKept, Seq: uint32(n)})
	case "host":
		hosts := map[string]Host{"stalled": HostStalled, "relay-failed": HostRelayFailed, "clash": HostClash, "mark": HostMark, "end": HostEnd, "disk-low": HostDisk, "lost": HostLost}
		h, ok := hosts[f[1]]
		if !ok {
			r.t.Fatalf("%q: no host event", line)
		}
		r.step(Input{Kind: HostInput, Host: h, On: len(f) < 3 || f[2] != "off", Seq: 1})
	case "sleep":
		// Nothing comes in and nobody wakes the engine; then one Advance.
		r.now += span(f[1])
		r.apply(r.e.Advance(r.now))
	default:
		r.t.Fatalf("no command %q", line)
	}
}
