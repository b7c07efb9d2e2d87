package prove

import (
	"math"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/message"

	"downhaul/rules"
)

const eachPack = rules.Pack2Voltage - rules.Pack1Voltage

// power is what tells of packs, and of values that the craft names itself.
func (p *plan) power() []source {
	supply := rules.SupplyVoltage
	feeds := []rules.ChannelID{rules.SupplyVoltage, rules.SupplyCurrent, rules.SupplyLeft}
	if p.setup.Intake.Fields.SupplyIsPack {
		supply = rules.Pack1Voltage
		feeds = append(feeds, rules.Pack1Voltage, rules.Pack1Current, rules.Pack1Left)
	}
	list := []source{{feeds: feeds, make: func(r *rig, s *scene) message.Message {
		at := func(k rules.ChannelID) float64 {
			if supply == rules.Pack1Voltage {
				return r.at(s, [...]rules.ChannelID{rules.Pack1Voltage, rules.Pack1Current, rules.Pack1Left}[k])
			}
			return r.at(s, supply+k)
		}
		volts, amps := p.loaded(r, s, supply, at(0), at(1))
		left := int8(-1)
		if v := at(2); !math.IsNaN(v) {
			left = int8(math.Max(-1, math.Min(127, math.Round(100*v))))
		}
		return &common.MessageSysStatus{VoltageBattery: u16(1000*volts, 65535), CurrentBattery: i16(100*amps, -1), BatteryRemaining: left}
	}}}
	if !p.setup.Intake.Fields.SupplyIsPack {
		for k := range 4 {
			first := rules.Pack1Voltage + rules.ChannelID(k)*eachPack
			list = append(list, source{feeds: span(first, first+eachPack-1), make: func(r *rig, s *scene) message.Message {
				return p.battery(r, s, k)
			}})
		}
	}
	for i, n := range p.setup.Intake.Fields.Named {
		list = append(list, source{boot: true, feeds: []rules.ChannelID{n.Channel}, make: func(r *rig, s *scene) message.Message {
			n := p.setup.Intake.Fields.Named[i]
			return &common.MessageNamedValueFloat{TimeBootMs: r.bootMillis(s), Name: n.Name, Value: float32((r.at(s, n.Channel) - n.Offset) / n.Scale)}
		}})
	}
	return list
}

// cellsOf is how many cells of a pack are told one by one; 0 where only the
// whole pack is.
func (p *plan) cellsOf(pack int) int {
	n := p.setup.Intake.Fields.Cells
	switch {
	case pack > 0 || n == 0:
		return 6
	case n > 14: // BATTERY_STATUS holds no more
		return 0
	}
	return n
}

// battery sends one pack. The cells carry it all: voltage is their sum, the
// lowest is the first, the highest the last.
func (p *plan) battery(r *rig, s *scene, k int) message.Message {
	at := func(id rules.ChannelID) float64 { return r.at(s, id+rules.ChannelID(k)*eachPack) }
	volts, amps := p.loaded(r, s, rules.Pack1Voltage+rules.ChannelID(k)*eachPack, at(rules.Pack1Voltage), at(rules.Pack1Current))
	m := &common.MessageBatteryStatus{Id: uint8(k), Temperature: i16(100*at(rules.Pack1Temperature), 32767),
		CurrentBattery: i16(100*amps, -1), EnergyConsumed: -1, BatteryRemaining: -1}
	m.CurrentConsumed = i32(at(rules.Pack1Charge) / 3.6)
	if v := at(rules.Pack1Left); !math.IsNaN(v) {
		m.BatteryRemaining = int8(math.Max(-1, math.Min(127, math.Round(100*v))))
	}
	for i := range m.Voltages {
		m.Voltages[i] = 65535
	}
	lowest, spread := at(rules.Pack1LowestCell), at(rules.Pack1CellSpread)
	n := p.cellsOf(k)
	if math.IsNaN(volts) || math.IsNaN(lowest) || math.IsNaN(spread) {
		return m
	}
	if n == 0 || s.wholePack {
		// More than 65534 mV carries into the next field.
		for i, rest := 0, math.Round(1000*volts); rest > 0 && i < len(m.Voltages); i++ {
			m.Voltages[i] = u16(math.Min(65534, rest), 65535)
			rest -= 65534
		}
		return m
	}
	cell := make([]float64, n)
	sum := 0.0
	for i := range cell {
		cell[i] = math.Round(1000 * volts / float64(n))
		if !s.byVoltage[k] {
			cell[i] = math.Round(1000 * lowest)
			if i == n-1 {
				cell[i] = math.Round(1000 * (lowest + spread))
			}
		}
		sum += cell[i]
	}
	if !s.byVoltage[k] { // the digit of the whole that moves
		cell[n-1] += math.Round(1000 * (at(rules.Pack1Voltage) - s.v[rules.Pack1Voltage+rules.ChannelID(k)*eachPack]))
	}
	if s.byVoltage[k] {
		cell[n-1] += math.Round(1000*volts) - sum
	}
	for i, c := range cell {
		if i < len(m.Voltages) {
			m.Voltages[i] = u16(c, 65535)
		} else {
			m.VoltagesExt[i-len(m.Voltages)] = u16(c, 65535)
		}
	}
	return m
}

// rotors is what tells of motors: outputs by ports of eight, controllers by
// fours.
func (p *plan) rotors() []source {
	var list []source
	pulse := func(r *rig, s *scene, motor int) uint16 {
		idle, full := p.setup.Intake.Fields.OutputIdle[motor], p.setup.Intake.Fields.OutputFull[motor]
		if idle == 0 && full == 0 {
			idle, full = 1000, 2000
		}
		return u16(idle+r.at(s, rules.Motor1Output+rules.ChannelID(motor))*(full-idle), 0)
	}
	for port := range 2 {
		first := rules.Motor1Output + rules.ChannelID(8*port)
		list = append(list, source{feeds: span(first, first+7), make: func(r *rig, s *scene) message.Message {
			m := &common.MessageServoOutputRaw{TimeUsec: uint32(r.bootMicros(s)), Port: uint8(port)}
			for i, to := range []*uint16{&m.Servo1Raw, &m.Servo2Raw, &m.Servo3Raw, &m.Servo4Raw, &m.Servo5Raw, &m.Servo6Raw, &m.Servo7Raw, &m.Servo8Raw} {
				*to = pulse(r, s, 8*port+i)
			}
			return m
		}})
	}
	for four := range 4 {
		first := rules.Motor1Speed + rules.ChannelID(4*four)
		feeds := append(span(first, first+3), rules.ESCVoltage, rules.ESCCurrent)
		list = append(list, source{feeds: feeds, make: func(r *rig, s *scene) message.Message {
			m := &common.MessageEscStatus{TimeUsec: r.bootMicros(s), Index: uint8(4 * four)}
			for i := range m.Rpm {
				m.Rpm[i] = i32(60 * r.at(s, first+rules.ChannelID(i)))
				m.Voltage[i] = r.f32(s, rules.ESCVoltage)
			}
			if four == 0 { // the total is what is moved
				m.Current[0] = r.f32(s, rules.ESCCurrent)
			}
			return m
		}})
	}
	motors := max(p.setup.Intake.Fields.Motors, 4)
	for four := range (motors + 3) / 4 {
		list = append(list, source{feeds: []rules.ChannelID{rules.ESCTemperature, rules.ESCFailures}, make: func(r *rig, s *scene) message.Message {
			m := &common.MessageEscInfo{TimeUsec: r.bootMicros(s), Index: uint8(4 * four), Count: uint8(motors)}
			for i := range m.Temperature {
				m.Temperature[i] = i16(100*r.at(s, rules.ESCTemperature), 32767)
			}
			m.FailureFlags[0] = common.ESC_FAILURE_FLAGS(u16(s.v[rules.ESCFailures], 0))
			return m
		}})
	}
	return list
}
