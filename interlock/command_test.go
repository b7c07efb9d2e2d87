package interlock

import (
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/derived"
	"downhaul/rules"
)

func siteOption(t *testing.T, s *Site, text string) {
	if slow, ok := strings.CutPrefix(text, "old after "); ok { // old after TIME CHANNEL...
		f := strings.Fields(slow)
		d, err := time.ParseDuration(f[0])
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range f[1:] {
			c, ok := rules.Lookup(name)
			if !ok {
				t.Fatalf("no channel %q", name)
			}
			derive(s, func(cfg *derived.Config) { cfg.Slow = withSlow(cfg.Slow, c.ID, d) })
		}
		return
	}
	switch text {
	case "duty watch":
		s.Duty = Watch
	case "after a trip":
		s.PowerUp = EndedInTrip
	case "after a fault":
		s.PowerUp = EndedInFault
	case "pulses alone":
		s.PulsesAlone = true
	case "hold fitted":
		s.Fitted[Hold] = true
	case "no readback":
		s.Fitted[Readback] = false
	case "no gate":
		s.Fitted[Gate] = false
	case "one stop contact":
		s.Fitted[EStopB] = false
	case "height not told":
		s.Fed[rules.HeightGlobal] = rules.NotFed
	case "outputs not told":
		s.Fed[rules.Motor1Output] = rules.NotFed
	case "stop not proven":
		s.Rotors = rules.RotorsStanding{}
	case "slow drop-out":
		s.DropOut = 5 * time.Second
	case "rotors count as standing":
		s.StillRotor = 100
	case "rotor speed not told":
		s.Fed[rules.Motor1Speed] = rules.NotFed
	case "landed not told":
		s.Fed[rules.CraftLanded] = rules.NotFed
	case "current checked":
		s.IdleCurrent = 5
	default:
		t.Fatalf("no site option %q", text)
	}
}

// withSlow is m with one more.
func withSlow(m map[rules.ChannelID]time.Duration, id rules.ChannelID, d time.Duration) map[rules.ChannelID]time.Duration {
	out := map[rules.ChannelID]time.Duration{id: d}
	for k, v := range m {
		if k != id {
			out[k] = v
		}
	}
	return out
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
	case "silent": // silent may|long: the anemometer's silence, and what it may be
		r.set(rules.WindSpeed, 0, rules.Doubtful)
		r.values[len(r.values)-1].why = rules.MayBeCut
		if f[1] == "long" {
			r.values[len(r.values)-1].why = rules.SilentLong
		}
	case "missing":
		r.set(channel(f[1]), 0, rules.Missing)
	case "past": // past the range of its field
		r.set(channel(f[1]), 0, rules.Missing)
		r.values[slices.IndexFunc(r.values, func(v rigValue) bool { return v.id == channel(f[1]) })].why = rules.OutOfRange
	case "silence":
		r.silence(channel(f[1]))
	case "every": // every TIME CHANNEL...: told so seldom from now on
		for _, name := range f[2:] {
			for i := range r.values {
				if r.values[i].id == channel(name) {
					r.values[i].every, r.values[i].next = span(f[1]), r.now
				}
			}
		}
	case "fly": // at once 3 m up: the height disagrees with the climb
		r.fly()
		r.set(rules.HeightGlobal, 3, rules.Good)
	case "ascend": // ascend METRES DURATION: in the air, with the climb that belongs to it
		r.fly()
		h, err := strconv.ParseFloat(f[1], 64)
		if err != nil {
			r.t.Fatal(err)
		}
		r.glide(h, span(f[2]))
	case "creep": // creep METRES DURATION: the height drifts, and no climb is told
		h, err := strconv.ParseFloat(f[1], 64)
		if err != nil {
			r.t.Fatal(err)
		}
		r.drift(h, span(f[2]))
	case "descend":
		r.glide(0, span(f[1]))
	case "land":
		r.land()
	case "again":
		r.again()
		r.out = nil
	case "on", "off":
		r.lines[lineOf(f[1])] = f[0] == "on"
		r.run(r.tick)
	case "press":
		r.press(lineOf(f[1]), span(f[2]))
	case "pins":
		r.pins = f[1] == "on"
	case "frames":
		r.frames = f[1] == "on"
	case "keep":
		r.kept = f[1] == "on"
	case "stick": // the contactor stays as it is, whatever is commanded
		r.follow = time.Hour
	case "unstick": // and is again as commanded
		r.follow = 30 * time.Millisecond
		r.change = r.now + r.follow
	case "bridge": // one half of the chain alone closes the contactor
		r.bridge = f[1]
	case "tick":
		r.tick = span(f[1])
	case "wiggle", "freeze":
		id := channel(f[1])
		for i := range r.values {
			if r.values[i].id == id {
				r.values[i].wiggle = f[0] == "wiggle"
			}
		}
	case "chatter": // chatter CHANNEL OUT IN HOW-LONG-OUT HOW-LONG-IN TIMES
		out, _ := strconv.ParseFloat(f[2], 64)
		in, _ := strconv.ParseFloat(f[3], 64)
		times, _ := strconv.Atoi(f[6])
		for range times {
			r.set(channel(f[1]), out, rules.Good)
			r.run(span(f[4]))
			r.set(channel(f[1]), in, rules.Good)
			r.run(span(f[5]))
		}
	case "why":
		r.e.View(&r.view)
		for _, u := range r.view.Unmet {
			r.out = append(r.out, r.view.Say(r.e.env, u))
		}
	case "look": // a view is taken every 100 ms from now on, as status and page do
		r.looks = true
	case "reboot":
		r.boot = 0
	case "kept":
		n, _ := strconv.Atoi(f[1])
		r.step(Input{Kind: HostInput, Host: HostKept, Seq: uint32(n)})
		r.over()
	case "host":
		hosts := map[string]Host{"stalled": HostStalled, "held-up": HostHeldUp, "relay-failed": HostRelayFailed, "clash": HostClash, "mark": HostMark, "end": HostEnd, "disk-low": HostDisk, "proof": HostProof, "lost": HostLost, "ground": HostGround, "broken": HostBroken}
		h, ok := hosts[f[1]]
		if !ok {
			r.t.Fatalf("%q: no host event", line)
		}
		seq := 1
		if h == HostGround { // host ground off, or host ground LEAST-PULL-IN-mN
			seq, _ = strconv.Atoi(f[2])
		}
		r.step(Input{Kind: HostInput, Host: h, On: len(f) < 3 || f[2] != "off", Seq: uint32(seq)})
		r.over()
	case "sleep":
		r.sleep(span(f[1]))
		r.over()
	default:
		r.t.Fatalf("no command %q", line)
	}
}
