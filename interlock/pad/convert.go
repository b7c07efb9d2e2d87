package pad

import (
	"time"

	"downhaul/hw"
	"downhaul/interlock"
	"downhaul/interlock/day/derived"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry"
	"downhaul/interlock/day/telemetry/link"
	"downhaul/rules"
)

// Derived is what the derived channels need of the pad.
func (p *Pad) Derived() derived.Config {
	c := derived.Config{
		HeightSources: p.Height.Sources, ClimbSource: p.Height.Climb, Vote: p.Height.Vote, Disagreement: p.Height.Disagreement,
		ErrorHeight: p.Height.ErrorHeight, ErrorClimb: p.Height.ErrorClimb,
		Reaction: p.LinkDelay() + p.Height.Reaction, MaxAcceleration: p.Height.MaxAcceleration,
		AnchorNorth: p.Anchor.North, AnchorEast: p.Anchor.East, AnchorHeight: p.Anchor.Height,
		Motors:      p.Craft.Motors,
		PackVoltage: rules.Pack1Voltage, PackCurrent: rules.Pack1Current,
		Slow: p.Slow, Cells: p.Packs.Cells, PackFloor: p.Packs.Floor, Full: p.Full,
		AnemometerHeight: p.Wind.Height, RotorHeight: p.Wind.RotorHeight,
		Method: p.Wind.Method, Roughness: p.Wind.Roughness, Exponent: p.Wind.Exponent,
	}
	if p.Packs.LoadFrom == "sys_status" {
		c.PackVoltage, c.PackCurrent = rules.SupplyVoltage, rules.SupplyCurrent
	}
	return c
}

// Site is what the engine must know of the pad. How the session before ended is
// not in the file: set PowerUp.
func (p *Pad) Site() interlock.Site {
	s := interlock.DefaultSite()
	s.Duty = p.Duty
	for id := rules.NoChannel + 1; id < rules.ChannelCount; id++ {
		if !id.Channel().Derived {
			s.Fed[id] = p.measuredFed(id)
		}
	}
	s.Derived = p.Derived()
	for l := range interlock.LineCount {
		s.Fitted[l] = p.Board.Line(l.String()).Fitted
	}
	if p.Stop.Proven {
		s.Rotors = rules.RotorsStanding{Standing: p.Stop.Time, Measured: true}
	}
	s.PickUp, s.DropOut = p.Contactor.PickUp, p.Contactor.DropOut
	s.Discrepancy, s.EndGrace = p.Discrepancy, p.EndGrace
	s.PinStale = p.PinStale
	s.LinkStale = max(s.LinkStale, p.Slow[rules.LinkAge])
	s.Watchdog = p.LongestGap + 50*time.Millisecond // its edges 50 ms apart, it drops by 100 ms
	s.IdleCurrent = p.Packs.IdleCurrent
	s.PulsesAlone = p.Wind.Fitted && !p.Board.Line("wind_loop").Fitted
	return s
}

// Intake is how chunks become inputs on this pad.
func (p *Pad) Intake() intake.Config {
	c := intake.Config{
		Craft:  intake.Craft{System: p.Craft.System, Component: p.Craft.Component},
		Signed: p.SigningKey != "",
		Fields: telemetry.FieldsConfig{
			TensionFromWinch: p.LoadCell.Winch, SupplyIsPack: p.Packs.Source == "sys_status", Cells: p.Packs.Cells, Motors: p.Craft.Motors,
		},
		LoadCell: intake.LoadCellConfig{
			Fitted: p.LoadCell.Fitted, Zero: p.LoadCell.Zero, NewtonsPerCount: p.LoadCell.NewtonsPerCount,
			Low: p.LoadCell.Low, High: p.LoadCell.High,
		},
		Anemometer: intake.AnemometerConfig{
			Fitted: p.Wind.Fitted, Slope: p.Wind.Slope, Offset: p.Wind.Offset, MaxHz: p.Wind.MaxHz,
			MinPeriod: p.Wind.Bounce, StillAfter: p.Wind.StillAfter, OnFall: p.Wind.OnFall, StartsAt: p.Wind.StartsAt,
		},
	}
	if l := p.Board.Line("wind_loop"); l.Fitted {
		c.Anemometer.Loop = intake.LineConfig{Fitted: true, Invert: l.invert()}
	}
	for i := range c.Fields.OutputIdle {
		c.Fields.OutputIdle[i] = microseconds(p.Craft.OutputIdle)
		c.Fields.OutputFull[i] = microseconds(p.Craft.OutputFull)
	}
	for _, n := range p.Named {
		c.Fields.Named = append(c.Fields.Named, telemetry.Named{Name: n.Name, Channel: n.Channel, Scale: n.Factor, Offset: n.Offset})
	}
	for _, l := range p.Links {
		c.Links = append(c.Links, intake.LinkConfig{Stream: l.Kind != UDP, From: l.From})
	}
	for l := range interlock.LineCount {
		line := p.Board.Line(l.String())
		c.Lines[l] = intake.LineConfig{Fitted: line.Fitted, Invert: line.invert()}
	}
	return c
}

func microseconds(d time.Duration) float64 { return float64(d) / float64(time.Microsecond) }

// LinkConfigs returns which telemetry links to open, by number.
func (p *Pad) LinkConfigs() []link.Config {
	out := make([]link.Config, len(p.Links))
	for i, l := range p.Links {
		out[i] = link.Config{Number: uint8(i), Address: l.Address, Baud: l.Baud}
		switch l.Kind {
		case UDP:
			out[i].Kind = link.UDP
		case TCP:
			out[i].Kind = link.TCP
		case Serial:
			out[i].Kind, out[i].Address = link.Serial, l.Device
		}
	}
	return out
}

// buttonDebounce is how long a button that readies or starts must stand before
// it shows; ours: contacts bounce for some milliseconds, and nobody waits 20.
const buttonDebounce = 20 * time.Millisecond

// GPIOBoard sets up the board on this computer's lines; now is the monotonic
// time since it was opened.
//
// Only reset and start are debounced: a debounce delays both directions, and
// whatever takes the power off (emergency stop, gate, hold, end, and the
// readback that finds it open) must act at once. Bounce does those no harm: the
// first opening latches.
func (p *Pad) GPIOBoard(now func() time.Duration) hw.GPIOConfig {
	input := func(name string) hw.GPIOInput {
		l := p.Board.Line(name)
		in := hw.GPIOInput{Name: name, Pin: boardPin(l), Bias: hw.PullDown}
		if l.ClosedLow {
			// The resistor is always the contact's opposite, so that an open
			// contact and a cut wire read alike.
			in.Bias = hw.PullUp
		}
		if name == "reset" || name == "start" {
			in.Debounce = buttonDebounce
		}
		// A wire that is loose for a moment is found before it fails. The other contacts of
		// the kill chain bounce in flight, and would drop a craft for nothing.
		in.Every = name == interlock.EStopA.String() || name == interlock.EStopB.String()
		return in
	}
	c := hw.GPIOConfig{
		Relay: boardPin(p.Board.Line("relay")), Heartbeat: boardPin(p.Board.Line("heartbeat")),
		Buzzer: boardPin(p.Board.Line("buzzer")), Lamp: boardPin(p.Board.Line("lamp")),
		Anemometer: input("anemometer"), Now: now,
	}
	for l := range interlock.LineCount {
		c.Inputs = append(c.Inputs, input(l.String()))
	}
	if p.Board.Line("wind_loop").Fitted {
		c.Inputs = append(c.Inputs, hw.GPIOInput{Name: "anemometer"}, input("wind_loop")) // intake.LoopBit
	}
	if p.LoadCell.Fitted {
		c.LoadCell = hw.LoadCellConfig{Fitted: true, Raw: p.LoadCell.Channel, NAU7802: p.LoadCell.Bus, Rate: p.LoadCell.Rate}
	}
	return c
}

// boardPin is the pin of a line, none where it is not fitted. The file was read
// already: its text holds.
func boardPin(l Line) hw.Pin {
	if !l.Fitted {
		return hw.Pin{}
	}
	pin, _ := hw.ParsePin(l.Pin)
	return pin
}
