package prove

import (
	"fmt"
	"math"
	"strings"
	"time"

	"downhaul/rules"
)

// unknown: not a number, the field's own word for it, and what no sensor says.
func (t *trial) unknown() {
	var nan, word []rules.ChannelID
	for _, m := range t.needs() {
		switch {
		case t.p.carriesNaN(m):
			nan = append(nan, m)
		case t.p.hasWord(m):
			word = append(word, m)
		}
	}
	try := func(name string, ids []rules.ChannelID, spoil func(s *scene, m rules.ChannelID), why, what string) {
		if len(ids) == 0 {
			t.moot(name, why)
			return
		}
		var names []string
		for k, m := range ids {
			if k > 0 && k < len(ids)-1 && len(ids) > 4 {
				continue // the ones between are as the first and the last
			}
			r := t.fresh(t.b.air)
			spoil(&r.sc, m)
			r.run(2 * t.p.period([]rules.ChannelID{m}))
			if r.core.Reading(m).Quality != rules.Missing {
				if name != "implausible" {
					t.add(name, fmt.Sprintf("%v: it passed for a value", m), "")
					return
				}
				continue // the field cannot hold such a number
			}
			r.run(t.rule.StaleAfter + 2*t.period + 20*time.Millisecond)
			if _, fault := t.gone(r); fault != "" {
				t.add(name, fmt.Sprintf("%v: %s", m, fault), "")
				return
			}
			names = append(names, m.String())
		}
		if len(names) == 0 {
			t.moot(name, "no field of it can hold such a number")
			return
		}
		if len(names) > 2 {
			names = append(names[:1], fmt.Sprintf("%d more", len(ids)-1))
		}
		t.add(name, "", "%s in %s counts as missing", what, strings.Join(names, ", "))
	}
	force := func(s *scene, m rules.ChannelID) { s.force(m, math.NaN()) }
	try("not a number", nan, force, "its field is a whole number and holds no such thing", "what is not a number")
	what := "the word for unknown"
	if !t.told() {
		what = "a failed reading"
	}
	try("unknown", word, force, "its field has no word for unknown", what)
	far := t.needs()
	if t.rule.Watch == rules.LinkLag || t.rule.Watch == rules.LinkLoss {
		far = nil
	}
	try("implausible", far, func(s *scene, m rules.ChannelID) { s.force(m, 1.2*m.Channel().High+1) }, "it is counted here, not told", "an impossible number")
	if id := t.rule.Watch; id >= rules.Pack1Voltage && id <= rules.Pack4CellSpread {
		if what := rules.Pack1Voltage + (id-rules.Pack1Voltage)%eachPack; what != rules.Pack1LowestCell && what != rules.Pack1CellSpread {
			return
		}
		r := t.fresh(t.b.air)
		r.sc.wholePack = true
		r.run(t.rule.StaleAfter + 3*t.period)
		_, fault := t.gone(r)
		t.add("whole pack in one cell", fault, "counts as missing, not as a good cell")
	}
}

// told reports whether the craft tells the channel over the link, and so whether
// somebody else could.
func (t *trial) told() bool {
	for _, k := range t.p.sourcesOf(t.needs()) {
		if t.p.sources[k].kind != craftFrame {
			return false
		}
	}
	return true
}

// carriesNaN reports whether a measured channel comes in a field that can hold what
// is not a number.
func (p *plan) carriesNaN(id rules.ChannelID) bool {
	for _, n := range p.setup.Intake.Fields.Named {
		if n.Channel == id {
			return true
		}
	}
	switch id {
	case rules.Roll, rules.Pitch, rules.Yaw, rules.RollRate, rules.PitchRate, rules.YawRate, rules.HeightLocal, rules.ClimbLocal,
		rules.North, rules.East, rules.HeightAltitude, rules.HeightClearance, rules.ClimbHUD, rules.AltitudeSea, rules.Vibration,
		rules.CraftWind, rules.WinchTension, rules.WinchLine, rules.WinchSpeed, rules.ESCVoltage, rules.ESCCurrent:
		return true
	case rules.Tension:
		return p.setup.Intake.Fields.TensionFromWinch
	}
	return false
}

// hasWord reports whether the channel's field has a word of its own for "unknown", or
// its sensor a reading that failed.
func (p *plan) hasWord(id rules.ChannelID) bool {
	switch {
	case p.carriesNaN(id):
		return false
	case id >= rules.Motor1Output && id <= rules.Motor16Output, id >= rules.Pack1Voltage && id <= rules.Pack4CellSpread:
		return true
	}
	switch id {
	case rules.CraftLanded, rules.HeightRange, rules.SupplyVoltage, rules.SupplyCurrent, rules.SupplyLeft, rules.ESCTemperature,
		rules.RadioRSSI, rules.RadioRemoteRSSI, rules.CraftUTC, rules.Tension, rules.WindSpeed:
		return true
	}
	return false
}
