package hazard

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/pad"
	"downhaul/interlock/records/stopping"
	"downhaul/interlock/sense"
	"downhaul/rules"
	"downhaul/rules/card"
)

// worth judges rows on a pad of thrust times the weight with a tether of these
// lines; without a card where mass is empty.
func worth(t *testing.T, thrust, tether, mass, rows string) Verdict {
	t.Helper()
	p, faults := pad.Read("pad.toml", []byte(strings.ReplaceAll(padText, "thrust_to_weight = 2", "thrust_to_weight = "+thrust)))
	if p == nil {
		t.Fatal(faults)
	}
	e, faults := rules.ReadEnvelope("e.toml", []byte("version = 1\n[tether]\n"+tether+rows))
	if e == nil {
		t.Fatal(faults)
	}
	c := Case{Envelope: e, Pad: p, Stop: stopping.Stated(p)}
	if mass != "" {
		if c.Card, faults = card.Read("card.toml", []byte("version = 1\nair = \"15 °C, 0 m\"\n[craft]\nname = \"c\"\nmass = \""+mass+"\"\n[motors]\ncount = 1\n[motors.rig]\nreading = \"50 N\"\nlever = 1\nvolts = \"50 V\"\nair = \"15 °C, 0 m\"\n[[step]]\nname = \"one\"\nballast = \"0 kg\"\n")); c.Card == nil {
			t.Fatal(faults)
		}
	}
	return Judge(c)
}

const rope = "breaking_strength = \"22 kN\"\ndesign_factor = 10\nlength = \"9 m\"\nstretch = \"12 % at 5 kN\"\n"

// flown is a runaway from rest at the pad, its equation of motion integrated in
// steps of 50 µs: constant full thrust until the relay has opened and full seconds
// more, after it is detected at a distance d; then thrust with the square of a rotor
// speed that falls evenly to nothing in fall seconds. up is against gravity, else it
// goes off level, with the thrust that is left over from holding its height. v is
// the greatest speed, far where it is when no thrust is left, top where it tops out.
func flown(thrust, d, relay, full, fall float64, up bool) (v, far, top float64) {
	const dt = 5e-5
	accelerates := func(share float64) float64 {
		if up {
			return thrust*share - Gravity
		}
		return math.Sqrt(max(0, thrust*thrust-Gravity*Gravity)) * share
	}
	x, speed, after := 0.0, 0.0, -1.0
	for {
		share := 1.0
		if after > relay+full {
			left := max(0, 1-(after-relay-full)/fall)
			share = left * left
		}
		speed += accelerates(share) * dt
		x += speed * dt
		v, top = max(v, speed), max(top, x)
		if after >= 0 || x >= d {
			after = max(after, 0) + dt
		}
		if after > relay+full+fall {
			if far == 0 {
				far = x
			}
			if !up || speed <= 0 {
				return v, far, top
			}
		}
	}
}

// between reports a value that is not from the truth to the truth and a share more.
func between(t *testing.T, what string, got *float64, truth, share float64) {
	t.Helper()
	if got == nil {
		t.Errorf("%s: not told, true is %.3f", what, truth)
	} else if *got < truth*(1-1e-4) || *got > truth*(1+share) {
		t.Errorf("%s: told %.3f, true is %.3f", what, *got, truth)
	}
}

// A runaway starts from the pad and passes the limit at speed. What is told is held
// against the equation of motion, integrated. The pad: height 0.3 m off, its stop
// stated with 3 s, so that the contactor's 200 ms are at full thrust.
func TestRunawayFromThePad(t *testing.T) {
	for _, c := range []struct {
		thrust string
		g      float64
	}{{"1.3", 1.3}, {"2", 2}, {"2.5", 2.5}} {
		v := worth(t, c.thrust, "length = \"900 m\"\nstretch = \"12 % at 5 kN\"\nbreaking_strength = \"22 kN\"\ndesign_factor = 10\n", "45 kg", rule("height", "craft.height", `above = "5 m"`, atOnce)+rule("far", "craft.distance", `above = "5 m"`, atOnce))
		height, far := v.Budgets[0], v.Budgets[1]
		fast, _, top := flown(c.g*Gravity, 5.3, height.Relay, 0.2, 3-0.2, true)
		between(t, c.thrust+" times the weight, apex", v.Meanwhile[0].Apex, top, 0.2)
		between(t, c.thrust+" times the weight, gain", v.Meanwhile[0].Gain, top-5, 0.25)
		side, _, _ := flown(c.g*Gravity, 5, far.Relay, 0.2, 3-0.2, false)
		between(t, c.thrust+" times the weight, upward speed", v.Meanwhile[0].Speed, fast, 0.3)
		between(t, c.thrust+" times the weight, level speed", v.Meanwhile[1].Speed, side, 0.05)
		between(t, c.thrust+" times the weight, speed at the tether", v.Rope.SnatchSpeed, max(fast, side), 0.05)
	}
	// 5 m at twice the weight, 0.55 s to the relay, 0.3 s to thrust gone: 23.9 m with
	// thrust gone at once, 28.6 m where it falls evenly, 33.9 m with full thrust to
	// the end (worked out from the formulas of even acceleration).
	for _, want := range []struct{ t, top float64 }{{0.55, 23.9}, {0.55 + 0.15, 28.6}, {0.85, 33.9}} {
		near(t, "runaway from the pad", topOf(2*Gravity, 5, want.t), want.top, 0.08)
	}
}

// A predicted apex has the runaway in it, and the speed at thrust gone behind it is
// what tether and throw meet: a craft that tops out at 7 m with twice the weight is
// at 3.5 m when thrust is gone, with √(2·g·3.5).
func TestSpeedBehindAnApex(t *testing.T) {
	v := worth(t, "2", strings.Replace(rope, "9 m", "90 m", 1), "45 kg", rule("apex", "craft.apex", `above = "40 m"`, atOnce)+rule("far", "craft.distance", `above = "1 m"`, atOnce))
	between(t, "apex at 40 m, upward", v.Meanwhile[0].Speed, math.Sqrt(40*Gravity), 0.01)
	between(t, "apex at 40 m, at the tether", v.Rope.SnatchSpeed, math.Sqrt(40*Gravity), 1.2)
}

// An on-delay is not in the prediction: for so long more a runaway has full thrust.
func TestOnDelayBehindAnApex(t *testing.T) {
	v := worth(t, "2", rope, "45 kg", rule("apex", "craft.apex", `above = "40 m"`, "lasting = \"500 ms\"\n"+atOnce))
	v0 := math.Sqrt(40 * Gravity) // at 20 m, when the thrust would be gone without the delay
	v1 := v0 + Gravity*0.5
	near(t, "speed", *v.Meanwhile[0].Speed, v1, 1e-9)
	near(t, "top", *v.Meanwhile[0].Apex, 20+v0*0.5+Gravity*0.125+v1*v1/(2*Gravity), 1e-9)
}

// pulled is the greatest pull of a mass that runs into a spring at v while p pulls
// on, and when it comes, integrated in steps of 5 µs.
func pulled(m, k, p, v float64) (most, at float64) {
	const dt = 5e-6
	for x, s := 0.0, 0.0; v > 0; s += dt {
		v += (p - k*x) / m * dt
		x += v * dt
		most, at = k*x, s
	}
	return most, at
}

// What the tether bears: a craft that goes off level at full thrust runs into its end
// at the speed that is allowed, and pulls no more than the working load. The tether
// is a linear spring without mass at a rigid anchor.
func TestClosingSpeed(t *testing.T) {
	for _, c := range []struct {
		thrust, mass string
		g, m         float64
	}{{"1.2", "45 kg", 1.2, 45}, {"2", "45 kg", 2, 45}, {"1.5", "60 kg", 1.5, 60}} {
		pull := c.m * Gravity * math.Sqrt(c.g*c.g-1)
		slow := 5000 / (0.12 * 9)
		// The stretch of a fast pull is on the file.
		v := worth(t, c.thrust, rope+"fast_stretch = \"8 % at 5 kN\"\n", c.mass, reach).Rope.Closing
		if v == nil || *v <= 0 {
			t.Fatalf("%+v: no closing speed", c)
		}
		most, _ := pulled(c.m, 5000/(0.08*9), pull, *v)
		near(t, c.mass+", pull at the speed that is allowed", most, 2200, 1)
		// It is not: twice the stiffness of the slow pull counts.
		told := worth(t, c.thrust, rope, c.mass, reach).Rope
		v = told.Closing
		// Loose rope is what full thrust, from rest, takes to that speed: v² = 2as.
		near(t, c.mass+", loose rope", *told.Slack, *v**v/2/(pull/c.m), 1e-9)
		most, _ = pulled(c.m, 2*slow, pull, *v)
		near(t, c.mass+", pull with twice the stiffness", most, 2200, 1)
		near(t, c.mass+", the root of a half", *v, math.Sqrt(2200*2200-2*2200*pull)/math.Sqrt(slow*c.m)/math.Sqrt2, 1e-9)
	}
	// 120 kg at twice the weight pull 2,038 N level: twice that is more than the
	// tether's 2,200 N, and no speed is allowed.
	v := worth(t, "2", rope, "120 kg", reach)
	if v.Rope.Closing == nil || *v.Rope.Closing != 0 {
		t.Errorf("no speed is allowed, told %v", v.Rope.Closing)
	}
	if text := told(v); !strings.Contains(text, "no speed at all") {
		t.Errorf("nobody is told that no speed is allowed: %q", text)
	}
}

// The time of the greatest pull, and the earliest that it can be.
func TestTimeOfTheGreatestPull(t *testing.T) {
	for _, c := range []struct{ m, k, p, v float64 }{{45, 4630, 764, 5}, {45, 4630, 0, 5}, {45, 9260, 1500, 0.5}, {100, 4630, 981, 1.065}} {
		_, at := pulled(c.m, c.k, c.p, c.v)
		near(t, "time of the greatest pull", peakTime(c.p, c.k, c.m, c.v), at, 1e-4)
		if least := peakTime(0, c.k, c.m, c.v); least > at+1e-5 {
			t.Errorf("%+v: the quarter period %v is later than %v", c, least, at)
		}
	}
}

// The working load is the least of what hangs together; what is not stated is named.
func TestWorkingLoadIsTheLeast(t *testing.T) {
	parts := "knot = \"60 %\"\nage = \"80 %\"\nshackle = \"4 kN\"\nanchor = \"3 kN\"\nattachment = \"1500 N\"\nload_cell = \"5 kN\"\n"
	for _, c := range []struct {
		tether string
		want   float64
		weak   string
	}{
		{rope, 2200, "the rope"}, {rope + "knot = \"50 %\"\n", 1100, "the rope"}, {rope + parts, 0.6 * 0.8 * 2200, "the rope"},
		{rope + "attachment = \"900 N\"\n", 900, "the attachment"}, {rope + "shackle = \"800 N\"\nanchor = \"700 N\"\n", 700, "the anchor"}, {rope + "load_cell = \"500 N\"\n", 500, "the load cell"},
	} {
		v := worth(t, "2", c.tether, "45 kg", reach)
		if v.Rope.WorkingLoad == nil || math.Abs(*v.Rope.WorkingLoad-c.want) > 1e-9 {
			t.Errorf("%s: working load %v, want %v", c.tether, v.Rope.WorkingLoad, c.want)
		}
		says := strings.Join(v.Says, "\n")
		if !strings.Contains(says, c.weak) {
			t.Errorf("%s: %s is not named as the weakest in %q", c.tether, c.weak, says)
		}
		for _, part := range []string{"knot", "age", "shackle", "anchor", "attachment", "load cell"} {
			unknown := !strings.Contains(c.tether, strings.ReplaceAll(part, " ", "_")+" = ")
			if _, list, _ := strings.Cut(says, "Not stated: "); strings.Contains(strings.SplitN(list, ".", 2)[0], part) != unknown {
				t.Errorf("%s: %s is not told rightly: %q", c.tether, part, list)
			}
		}
	}
}

// thrown is where a craft lands that goes off from rest over the anchor, h m high,
// straight and climbing at an angle, passes d, has full thrust for full s more, and
// then one that falls as in flown in fall s and points up by another angle. Steps of
// 0.5 ms.
func thrown(thrust, d, full, fall, h, climb, up float64) float64 {
	const dt = 5e-4
	sin, cos := math.Sincos(climb)
	a := math.Sqrt(thrust*thrust-Gravity*cos*Gravity*cos) - Gravity*sin
	x, u, y, w, after := 0.0, 0.0, h, 0.0, -1.0
	for y > 0 {
		if after <= full {
			u += a * cos * dt
			w += a * sin * dt
		} else {
			left := max(0, 1-(after-full)/fall)
			u += thrust * left * left * math.Cos(up) * dt
			w += (thrust*left*left*math.Sin(up) - Gravity) * dt
		}
		x += u * dt
		y += w * dt
		if after >= 0 || math.Hypot(x, y) >= d {
			after = max(after, 0) + dt
		}
	}
	return x
}

// A tether that parts lets go a craft with the speed it has there, and a reach limit
// beyond the tether is what finds it out.
func TestPartedTether(t *testing.T) {
	beyond := rule("away", "craft.slant_range", `above = "20 m"`, atOnce)
	v := worth(t, "2", rope, "45 kg", beyond+rule("apex", "craft.apex", `above = "7 m"`, atOnce))
	if text := told(v); strings.Contains(text, `"away" can hardly act`) || strings.Contains(text, "sees a parted tether") {
		t.Errorf("the limit that finds out a parted tether is warned of: %q", text)
	}
	// The worst of all ways is searched for: climbing away, and thrust that points
	// anywhere but down while it falls.
	farthest := 0.0
	for climb := 0.0; climb < math.Pi/2; climb += math.Pi / 36 {
		for up := 0.0; up < math.Pi/2; up += math.Pi / 36 {
			farthest = max(farthest, thrown(2*Gravity, 20, v.Budgets[0].Relay+0.2, 2.8, 9, climb, up))
		}
	}
	between(t, "a parted tether", v.Keep.Parted, farthest, 0.8)
	// A ceiling beyond the tether does nothing that the tether does not, and miles beyond
	// it even a reach limit does nothing: with no pad and no card as well.
	for watch, limit := range map[string]string{"craft.apex": "9 m", "craft.height": "9 m", "craft.distance": "3000 m"} {
		e, faults := rules.ReadEnvelope("e.toml", []byte("version = 1\n[tether]\n"+rope+rule("a", watch, fmt.Sprintf("above = %q", limit), atOnce)))
		if e == nil {
			t.Fatal(faults)
		}
		if _, few := Sense(&sense.Files{Envelope: e}, stopping.Times{}, nil, time.Time{}); !strings.Contains(few.Error(), `"a" can hardly act`) {
			t.Errorf("%s past the tether: %q", watch, few.Error())
		}
	}
}

// People keep out of what the stretched tether reaches: 22 kN stretch it by
// 12 % · 22/5.
func TestKeepOutCountsTheStretch(t *testing.T) {
	near(t, "tether and craft", *worth(t, "2", rope, "", reach).Keep.Tether, 9*(1+0.12*22/5)+1.4, 1e-9)
	v := worth(t, "2", "length = \"9 m\"\n", "", reach)
	near(t, "without a stretch", *v.Keep.Tether, 10.4, 1e-9)
	if says := strings.Join(v.Says, "\n"); !strings.Contains(says, "how far it stretches is not stated") {
		t.Errorf("not said: %q", says)
	}
}

// A pad that only watches takes no thrust: no rule of it ends a runaway.
func TestWatchingEndsNoRunaway(t *testing.T) {
	p, _ := pad.Read("pad.toml", []byte(strings.Replace(padText, `duty = "guard"`, `duty = "watch"`, 1)))
	e, _ := rules.ReadEnvelope("e.toml", []byte("version = 1\n[tether]\n"+rope+rule("away", "craft.distance", `above = "2 m"`, atOnce)))
	c, _ := card.Read("card.toml", []byte(rowText))
	if p == nil || e == nil || c == nil {
		t.Fatal("a file is refused")
	}
	v := Judge(Case{Envelope: e, Pad: p, Card: c, Stop: stopping.Times{}})
	between(t, "speed at the tether's end", v.Rope.SnatchSpeed, math.Sqrt(4*Gravity*math.Sqrt(3)*9), 1e-9)
	if v.Keep.Parted != nil {
		t.Errorf("a parted tether is told as stopped after %v m", *v.Keep.Parted)
	}
	if text := told(v); strings.Contains(text, `"away"`) {
		t.Errorf("it is said to act: %q", text)
	}
}

// The snatch says when its pull is at its greatest.
func TestSnatchSaysWhen(t *testing.T) {
	v := worth(t, "2", rope, "45 kg", reach)
	_, at := pulled(45, 2*5000/(0.12*9), *v.Rope.Pull, *v.Rope.SnatchSpeed)
	between(t, "time of the greatest pull", v.Rope.PeakTime, at, 1e-3)
}
