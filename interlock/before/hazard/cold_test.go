package hazard

import (
	"math"
	"strings"
	"testing"

	"downhaul/interlock/pad"
	"downhaul/interlock/records/stopping"
	"downhaul/rules"
)

// By the gas law thrust at one pressure goes with 1/T: 303.15 K over 263.15 K. Where an
// air is not told it counts 30 °C colder than the other, and none told as 15 °C less 30.
func TestColdAirGivesMoreThrust(t *testing.T) {
	text := func(pad, rig string) string {
		return pad + "[craft]\nname = \"c\"\nmass = \"31 kg\"\n[motors]\ncount = 8\n[motors.rig]\nreading = \"76 N\"\nlever = 1\nvolts = \"50 V\"\n" + rig + "[[step]]\nname = \"one\"\nballast = \"0 kg\"\n"
	}
	for _, c := range []struct {
		pad, rig, says string
		by             float64
	}{
		{"air = \"-10 °C, 0 m\"\n", "air = \"30 °C, 0 m\"\n", "is denser than the rig's: on the high side", 303.15 / 263.15},
		{"air = \"30 °C, 0 m\"\n", "air = \"-10 °C, 0 m\"\n", "counts as stated", 1},
		{"air = \"-10 °C, 0 m\"\n", "", "in which air it was measured", 293.15 / 263.15},
		{"", "air = \"30 °C, 0 m\"\n", "does not tell the pad's air", 303.15 / 273.15},
		{"", "", "no card tells the air of the pad and of the rig", 288.15 / 258.15},
	} {
		crd := cardOf(t, text(c.pad, c.rig))
		crd.Units = "metric"
		by, says := denser(crd)
		near(t, c.pad+c.rig, by, c.by, 1e-6)
		if !strings.Contains(says, c.says) || c.by > 1 && !strings.Contains(says, "of what is stated") {
			t.Errorf("%s%s: says %q", c.pad, c.rig, says)
		}
	}
	if by, _ := denser(nil); math.Abs(by-288.15/258.15) > 1e-9 {
		t.Errorf("without a card %v", by)
	}
}

// What runs away in air that nobody told is faster, higher and pulls harder than by the
// stated thrust alone, and the sentence says what is assumed.
func TestRunawayInColdAir(t *testing.T) {
	rows := rule("height", "craft.height", `above = "5 m"`, atOnce) + rule("apex", "craft.apex", `above = "40 m"`, atOnce) + reach
	judge := func(text string) Verdict {
		p, _ := pad.Read("pad.toml", []byte(padText))
		e, _ := rules.ReadEnvelope("e.toml", []byte(tetherText+rows))
		return Judge(Case{Envelope: e, Pad: p, Card: cardOf(t, strings.TrimPrefix(text, "version = 1\n")), Stop: stopping.Stated(p)})
	}
	told, cold := judge(rowText), judge(strings.Replace(rowText, "air = \"15 °C, 0 m\"\n", "", 1))
	for i, pair := range [][2]*float64{{told.Rope.Snatch, cold.Rope.Snatch}, {told.Rope.Pull, cold.Rope.Pull}, {told.Keep.Parted, cold.Keep.Parted}, {told.Meanwhile[0].Apex, cold.Meanwhile[0].Apex}, {told.Meanwhile[1].Apex, cold.Meanwhile[1].Apex}} {
		if *pair[1] <= *pair[0] {
			t.Errorf("number %d: %v in cold air, %v as told", i, *pair[1], *pair[0])
		}
	}
	if says := strings.Join(cold.Says, "\n"); !strings.Contains(says, "Full thrust counts as 112 % of what is stated") {
		t.Errorf("not said: %s", says)
	}
	if says := cold.Meanwhile[1].Says; !strings.Contains(says, "denser air gives more") {
		t.Errorf("apex says %q", says)
	}
}

// A runaway that the guard predicts by too little thrust, its motion integrated: it is
// past the ceiling where the coast ends.
func TestBehindAnApexInDenserAir(t *testing.T) {
	j := &job{Case: &Case{Pad: &pad.Pad{}}}
	j.Pad.Height.Reaction, j.Pad.Height.MaxAcceleration = 4e8, 2*Gravity // 0.4 s
	reaction := j.Pad.Reaction(j.Stop.Thrust).Seconds()
	for _, by := range []float64{1.02, 1.1, 1.3} {
		j.full = by * 2 * Gravity
		const dt, limit = 1e-5, 12.0
		h, v, left := 0.0, 0.0, math.Inf(1)
		for left > 0 {
			if math.IsInf(left, 1) && h+v*reaction+Gravity*reaction*reaction/2+(v+Gravity*reaction)*(v+Gravity*reaction)/(2*Gravity) >= limit {
				left = reaction
			}
			v += (j.full - Gravity) * dt
			h += v * dt
			left -= dt
		}
		gone, top := j.behindApex(limit, 0)
		near(t, "speed when thrust is gone", gone, v, 1e-3)
		near(t, "top", top, h+v*v/(2*Gravity), 2e-3)
	}
}

// The guard sees a height that is some time old, and reckons with too little thrust for
// that time as well: with heights 0.1 s apart and one in two lost, in whatever phase, no
// runaway is past what is told.
func TestBehindAnApexOfAnOldHeight(t *testing.T) {
	j := &job{Case: &Case{Pad: &pad.Pad{}}}
	j.Pad.Height.Reaction, j.Pad.Height.MaxAcceleration = 4e8, 2*Gravity
	reaction := j.Pad.Reaction(j.Stop.Thrust).Seconds()
	const dt, limit, apart = 1e-5, 12.0, 0.2
	for _, by := range []float64{1, 1.1, 1.3} {
		j.full = by * 2 * Gravity
		gone, most := j.behindApex(limit, apart)
		worst := 0.0
		for phase := 0.0; phase < apart; phase += apart / 50 {
			h, v, left, next := 0.0, 0.0, math.Inf(1), phase
			var seenH, seenV, age float64
			for left > 0 {
				if next -= dt; next <= 0 {
					seenH, seenV, age, next = h, v, 0, apart
				}
				T := age + reaction
				if u := seenV + Gravity*T; math.IsInf(left, 1) && seenH+seenV*T+Gravity*T*T/2+u*u/(2*Gravity) >= limit {
					left = reaction
				}
				v += (j.full - Gravity) * dt
				h += v * dt
				left -= dt
				age += dt
			}
			worst = max(worst, h+v*v/(2*Gravity))
			if v > gone*(1+1e-3) {
				t.Errorf("%v times as dense: %v m/s when thrust is gone, %v told", by, v, gone)
			}
		}
		if worst > most*(1+1e-3) || worst < 0.97*most {
			t.Errorf("%v times as dense: tops out at %v, %v told", by, worst, most)
		}
	}
}
