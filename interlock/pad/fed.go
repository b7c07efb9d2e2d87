package pad

import (
	"downhaul/interlock/day/derived"
	"downhaul/rules"
)

// Fed returns whose word the channel is on this pad; NotFed when nothing feeds it.
// A derived channel is the pad's own only if everything that it rests on is.
func (p *Pad) Fed(id rules.ChannelID) rules.Origin {
	if id == rules.NoChannel || id >= rules.ChannelCount {
		return rules.NotFed
	}
	if id.Channel().Derived {
		return p.derivedFed(id)
	}
	return p.measuredFed(id)
}

func (p *Pad) measuredFed(id rules.ChannelID) rules.Origin {
	if _, lacks := p.lacks(id.String()); lacks {
		return rules.NotFed
	}
	for _, n := range p.Named {
		if n.Channel == id {
			return rules.CraftSays
		}
	}
	switch {
	case len(p.Links) == 0 && id != rules.Tension && id != rules.WindSpeed:
		return rules.NotFed
	case id == rules.LinkAge || id == rules.LinkLoss:
		return rules.OwnSensor
	case id == rules.Tension && p.LoadCell.Winch:
		return rules.CraftSays
	case id == rules.Tension:
		return only(p.LoadCell.Fitted, rules.OwnSensor)
	case id == rules.WindSpeed:
		return only(p.Wind.Fitted, rules.OwnSensor)
	case id >= rules.Told1 && id <= rules.Told8:
		return rules.NotFed
	case id >= rules.Motor1Output && id <= rules.Motor16Output:
		return only(int(id-rules.Motor1Output) < p.Craft.Motors, rules.CraftSays)
	case id >= rules.Motor1Speed && id <= rules.Motor16Speed:
		return only(int(id-rules.Motor1Speed) < p.Craft.Motors, rules.CraftSays)
	case id >= rules.Pack1Voltage && id <= rules.Pack4CellSpread:
		return only(p.packTold(id), rules.CraftSays)
	}
	return rules.CraftSays
}

// only is whose word it is, where it is given at all.
func only(given bool, whose rules.Origin) rules.Origin {
	if given {
		return whose
	}
	return rules.NotFed
}

// packTold reports whether the craft's messages tell that figure of a pack:
// SYS_STATUS knows one voltage, one current and what is left.
func (p *Pad) packTold(id rules.ChannelID) bool {
	if p.Packs.Source == "sys_status" {
		return id == rules.Pack1Voltage || id == rules.Pack1Current || id == rules.Pack1Left
	}
	const perPack = rules.Pack2Voltage - rules.Pack1Voltage
	return int((id-rules.Pack1Voltage)/perPack) < max(1, p.Packs.Count)
}

func (p *Pad) derivedFed(id rules.ChannelID) rules.Origin {
	if id == rules.Apex && p.Height.MaxAcceleration == 0 {
		return rules.NotFed
	}
	cfg := p.Derived()
	needs := cfg.Needs(id)
	if len(needs) == 0 {
		return rules.NotFed
	}
	if _, err := derived.New(cfg, func(want rules.ChannelID) bool { return want == id }); err != nil {
		return rules.NotFed
	}
	origin := rules.OwnSensor
	for _, in := range needs {
		switch p.measuredFed(in) {
		case rules.NotFed:
			return rules.NotFed
		case rules.CraftSays:
			origin = rules.CraftSays
		}
	}
	return origin
}
