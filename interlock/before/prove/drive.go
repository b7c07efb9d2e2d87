package prove

import (
	"math"
	"time"

	"downhaul/interlock/day/derived"
	"downhaul/rules"
)

// drive moves one channel: the way back from a value that is wanted to what
// must be measured for it.
type drive struct {
	id rules.ChannelID
	// set puts the scene to the value x of the channel.
	set func(s *scene, x float64)
	// step is the least by which the value can be moved near x.
	step func(x float64) float64
	// moves lists the measured channels that it rests on.
	moves []rules.ChannelID
	// settle is how long a held value takes to show whole; average reports whether
	// the channel is worked out over that span, so that one sample moves it
	// little and it does not come back at once.
	settle  time.Duration
	average bool
	// forget is how long a value that is left stays in it.
	forget time.Duration
	// pulses show it: a change shows when they come, not when it is sent.
	pulses bool
	// slow channels may not jump further than this.
	jump float64
}

// tensionSpan is the span over which the change of the tension is taken.
const tensionSpan = 50 * time.Millisecond

// float32Step is one step of a 32-bit number near x.
func float32Step(x float64) float64 {
	f := float32(math.Abs(x))
	return float64(math.Nextafter32(f, math.MaxFloat32)) - float64(f)
}

// quantum is the least step of a measured channel's field near x.
func (p *plan) quantum(id rules.ChannelID, x float64) float64 {
	in := &p.setup.Intake
	for _, n := range in.Fields.Named {
		if n.Channel == id {
			return math.Abs(n.Scale) * float32Step((x-n.Offset)/n.Scale)
		}
	}
	switch {
	case id >= rules.Motor1Output && id <= rules.Motor16Output:
		k := id - rules.Motor1Output
		if w := math.Abs(in.Fields.OutputFull[k] - in.Fields.OutputIdle[k]); w > 0 {
			return 1 / w
		}
		return 1e-3
	case id >= rules.Motor1Speed && id <= rules.Motor16Speed:
		return 1.0 / 60
	case id >= rules.Pack1Voltage && id <= rules.Pack4CellSpread:
		return [...]float64{1e-3, 0.01, 3.6, 0.01, 0.01, 1e-3, 1e-3}[(id-rules.Pack1Voltage)%eachPack]
	}
	switch id {
	case rules.CraftArmed, rules.CraftLanded, rules.CraftStatus, rules.CraftSeverity, rules.CraftMode, rules.ESCFailures, rules.Clipping,
		rules.RadioRSSI, rules.RadioRemoteRSSI, rules.RadioErrors, rules.EstimatorFlags:
		return 1
	case rules.HeightGlobal, rules.SupplyVoltage, rules.HomeAltitude, rules.LinkLag:
		return 1e-3
	case rules.ClimbGlobal, rules.HeightRange, rules.Throttle, rules.SupplyCurrent, rules.SupplyLeft, rules.ESCTemperature:
		return 0.01
	case rules.CraftUTC:
		return 1e-6
	case rules.HomeLatitude, rules.HomeLongitude:
		return math.Pi / 180 / 1e7
	case rules.WinchTension:
		return kilogramForce * float32Step(x/kilogramForce)
	case rules.Tension:
		if in.LoadCell.Fitted {
			return math.Abs(in.LoadCell.NewtonsPerCount)
		}
		return kilogramForce * float32Step(x/kilogramForce)
	case rules.WindSpeed:
		// One nanosecond of a pulse's period; the mean is kept in millionths.
		if v := x - in.Anemometer.Offset; v > 0 {
			return max(2e-6, float64(v*v)/in.Anemometer.Slope*1e-9)
		}
		return 1e-3
	}
	return float32Step(x)
}

// driveOf is the drive of a channel, or the reason why there is none.
func (p *plan) driveOf(id rules.ChannelID) (*drive, string) {
	cfg := &p.cfg
	d := &drive{id: id, moves: cfg.Needs(id), jump: math.Inf(1)}
	field := func(m rules.ChannelID, back func(x float64) float64) {
		d.set = func(s *scene, x float64) { s.put(m, back(x)) }
		d.step = func(x float64) float64 {
			// The step of the field, carried over to the value.
			q := p.quantum(m, back(x))
			if dx := math.Abs(back(x+1e-3) - back(x)); dx > 0 {
				return q * 1e-3 / dx
			}
			return q
		}
	}
	same := func(x float64) float64 { return x }
	first := func(ids []rules.ChannelID) rules.ChannelID {
		if len(ids) == 0 {
			return rules.NoChannel
		}
		return ids[0]
	}
	heights := func(x func(x float64) float64) {
		d.jump = heightJump
		d.set = func(s *scene, v float64) {
			for _, h := range cfg.HeightSources {
				s.put(h, x(v))
			}
		}
		d.step = func(v float64) float64 {
			q := 0.0
			for _, h := range cfg.HeightSources {
				q = math.Max(q, p.quantum(h, x(v)))
			}
			return q
		}
	}
	motors := func(from rules.ChannelID, back func(x float64) float64) {
		field(from, back)
		d.set = func(s *scene, x float64) {
			for k := range cfg.Motors {
				s.put(from+rules.ChannelID(k), back(x))
			}
		}
	}
	switch id {
	case rules.LinkAge:
		return nil, "" // silence is its drive
	case rules.CraftBootClock:
		return nil, "the craft's own clock cannot be moved without a restart, which is a trip of its own"
	case rules.PackResistance:
		p.resistance(d)
	case rules.PackResting:
		p.resting(d)
	case rules.PackToFloor:
		return nil, "it is worked out over minutes from how the pack itself falls, and nothing that can be sent holds it at one value"
	case rules.LinkLag:
		field(rules.LinkLag, same)
		d.jump = lagJump
		d.moves = []rules.ChannelID{rules.LinkLag}
	case rules.LinkLoss:
		d.moves = []rules.ChannelID{rules.LinkLoss}
		d.set = func(s *scene, x float64) { s.loss = math.Max(0, math.Min(0.95, x)) }
		d.step = func(float64) float64 { return 0.002 }
		d.settle, d.forget, d.average = 12*time.Second, 12*time.Second, true
	case rules.Climb:
		field(first(d.moves), same)
		set := d.set
		d.set = func(s *scene, x float64) { set(s, x); s.climbs = true }
	case rules.Height:
		heights(same)
	case rules.Apex:
		// Its age just before the next sample counts: that is when it is highest.
		gain := p.coast(p.period(cfg.HeightSources))
		heights(func(x float64) float64 { return x - gain })
	case rules.Tilt:
		field(rules.Roll, same)
		d.moves = []rules.ChannelID{rules.Roll, rules.Pitch}
	case rules.Distance:
		field(rules.North, func(x float64) float64 { return cfg.AnchorNorth + x })
		set := d.set
		d.set = func(s *scene, x float64) { set(s, x); s.put(rules.East, cfg.AnchorEast) }
	case rules.SlantRange:
		field(rules.North, func(x float64) float64 { return cfg.AnchorNorth + x })
		d.set = func(s *scene, x float64) {
			z := s.v[first(cfg.HeightSources)] - cfg.AnchorHeight
			s.put(rules.North, cfg.AnchorNorth+math.Sqrt(math.Max(0, float64(x*x)-float64(z*z))))
			s.put(rules.East, cfg.AnchorEast)
		}
	case rules.Sway:
		d.moves = []rules.ChannelID{rules.North, rules.East}
		d.set = func(s *scene, x float64) { s.sway = x }
		d.step = func(x float64) float64 { return float32Step(math.Abs(cfg.AnchorNorth) + x + 1) }
		d.settle, d.forget, d.average = 3*time.Second, 6*time.Second, true
	case rules.MotorHighest:
		motors(rules.Motor1Output, same)
	case rules.MotorHeadroom:
		motors(rules.Motor1Output, func(x float64) float64 { return 1 - x })
	case rules.LiftReserve:
		return nil, "it hangs on output, voltage and current together; what a rule on motor.highest does is proved"
	case rules.MotorSpread:
		if cfg.Motors < 2 {
			return nil, "one motor has no spread"
		}
		motors(rules.Motor1Output, same)
		d.set = func(s *scene, x float64) {
			low := math.Max(0.05, 0.5-x)
			for k := range cfg.Motors {
				s.put(rules.Motor1Output+rules.ChannelID(k), low)
			}
			s.put(rules.Motor1Output, low+x)
		}
	case rules.RotorSpeed:
		motors(rules.Motor1Speed, same)
	case rules.TensionRate:
		// Its drive is the tension: what is asked of it is asked of a rate.
		d.id = rules.Tension
		field(rules.Tension, same)
	case rules.Gust, rules.Mean2, rules.Mean10, rules.Peak10, rules.Lull10:
		field(rules.WindSpeed, same)
		d.average = true
		d.settle = map[rules.ChannelID]time.Duration{rules.Gust: 3 * time.Second, rules.Mean2: 2 * time.Minute,
			rules.Mean10: 10 * time.Minute, rules.Peak10: 3 * time.Second, rules.Lull10: 3 * time.Second}[id] + 500*time.Millisecond
		d.forget = d.settle
		if id == rules.Peak10 || id == rules.Lull10 {
			d.forget = 10*time.Minute + 4*time.Second
		}
	case rules.RotorWind, rules.RotorGust:
		factor := math.Log(cfg.RotorHeight/cfg.Roughness) / math.Log(cfg.AnemometerHeight/cfg.Roughness)
		if cfg.Method == derived.PowerLaw {
			factor = math.Pow(cfg.RotorHeight/cfg.AnemometerHeight, cfg.Exponent)
		}
		d.settle, d.pulses = 500*time.Millisecond, true
		if id == rules.RotorGust {
			factor = max(1, factor)
			d.average, d.settle, d.pulses = true, 3500*time.Millisecond, false
			d.forget = d.settle
		}
		field(rules.WindSpeed, func(x float64) float64 { return x / factor })
	case rules.PackMeanCell:
		n := float64(max(1, cfg.Cells))
		field(cfg.PackVoltage, func(x float64) float64 { return x * n })
	default:
		if id.Channel().Derived {
			return nil, "no inverse is written for this channel"
		}
		field(id, same)
		if isHeight(id) {
			d.jump = heightJump
		}
		if id == rules.WindSpeed {
			d.settle, d.pulses = 500*time.Millisecond, true
		}
		if id >= rules.Pack1Voltage && id <= rules.Pack4CellSpread && (id-rules.Pack1CellSpread)%eachPack == 0 {
			// The highest cell stays one: above 4.5 V it is a pack.
			d.set = func(s *scene, x float64) {
				s.put(id-1, math.Min(s.to[id-1], math.Max(2, 4.45-x)))
				s.put(id, x)
			}
		}
		if p.oneCell(id) {
			return nil, "one BATTERY_STATUS tells no more than 14 cells one by one, and this pack has more"
		}
	}
	return d, ""
}

// coast is what the predicted apex adds to a height of that age, at no climb.
func (p *plan) coast(age time.Duration) float64 {
	cfg := &p.cfg
	return derived.Coast(cfg.ErrorHeight, cfg.ErrorClimb, (age + cfg.Reaction).Seconds(), math.Max(0, cfg.MaxAcceleration-derived.Gravity))
}

// settled is the drive of a prediction that falls back with each new sample,
// for a rule that must last: the height that every sample tells counts.
func (d *drive) settled(p *plan) {
	set, less := d.set, p.coast(p.period(d.moves))-p.coast(0)
	d.set = func(s *scene, x float64) { set(s, x+less) }
}

// oneCell reports whether the channel is told from single cells that the message
// cannot hold.
func (p *plan) oneCell(id rules.ChannelID) bool {
	if id < rules.Pack1Voltage || id > rules.Pack4CellSpread {
		return false
	}
	k := id - rules.Pack1Voltage
	what := rules.Pack1Voltage + k%eachPack
	return (what == rules.Pack1LowestCell || what == rules.Pack1CellSpread) && p.cellsOf(int(k/eachPack)) == 0
}
