package craftmodel

import (
	"math"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
)

// sendBatteries sends one BATTERY_STATUS for each pack; the packs are alike
// but for the faulty cell, which sits in the first.
func (c *Craft) sendBatteries() {
	p, packs := &c.pack, float64(c.cfg.Packs)
	for id := range c.cfg.Packs {
		m := &common.MessageBatteryStatus{
			Id: uint8(id), BatteryFunction: common.MAV_BATTERY_FUNCTION_ALL, Type: common.MAV_BATTERY_TYPE_LIPO,
			Temperature:     short(100 * (c.cfg.Celsius + p.cellWarm)),
			CurrentBattery:  short(100 * c.near(p.current/packs, 0.05)),
			CurrentConsumed: int32(math.Round(p.drawn / packs / 3.6)),
			// The unit is 100 J (hectojoule).
			EnergyConsumed:   int32(math.Round(p.energy / packs / 100)),
			BatteryRemaining: c.remaining(),
			ChargeState:      common.MAV_BATTERY_CHARGE_STATE_OK,
		}
		for i := range m.Voltages {
			m.Voltages[i] = math.MaxUint16
		}
		c.fillCells(m, id == 0)
		c.emit(m)
	}
}

// fillCells gives each cell its own voltage: ten in Voltages and the rest in
// VoltagesExt, where a cell that reads 0 is sent as 1 because 0 means unused.
func (c *Craft) fillCells(m *common.MessageBatteryStatus, faulty bool) {
	if c.cfg.PackInCellZero {
		// More than 65534 mV carries into the next cell.
		rest := int(math.Round(1000 * c.pack.voltage))
		for i := 0; rest > 0 && i < len(m.Voltages); i++ {
			m.Voltages[i] = uint16(min(rest, math.MaxUint16-1))
			rest -= int(m.Voltages[i])
		}
		return
	}
	for i := range c.cfg.Cells {
		v := c.pack.cell(&c.cfg, i)
		if !faulty {
			v += c.pack.sag[i]
		}
		mv := uint16(math.Round(1000 * v))
		if i < len(m.Voltages) {
			m.Voltages[i] = mv
		} else {
			m.VoltagesExt[i-len(m.Voltages)] = max(mv, 1)
		}
	}
}

// groups calls fn for each group of four motors: the first motor's index and
// how many there are.
func (c *Craft) groups(fn func(first, count int)) {
	for i := 0; i < len(c.rotors); i += 4 {
		fn(i, min(4, len(c.rotors)-i))
	}
}

func (c *Craft) sendESCStatus() {
	c.groups(func(first, count int) {
		m := &common.MessageEscStatus{Index: uint8(first), TimeUsec: c.bootMicros()}
		for i := range count {
			r := &c.rotors[first+i]
			m.Rpm[i] = int32(math.Round(60 * r.n))
			if c.powered {
				m.Voltage[i] = float32(c.pack.voltage)
				if r.output > 0 && !r.dead {
					m.Current[i] = float32(r.power(&c.cfg) / c.pack.voltage)
				}
			}
		}
		c.emit(m)
	})
}

func (c *Craft) sendESCInfo() {
	c.groups(func(first, count int) {
		m := &common.MessageEscInfo{
			Index: uint8(first), TimeUsec: c.bootMicros(), Count: uint8(len(c.rotors)),
			Counter: uint16(c.sinceBoot().Milliseconds() / 10), ConnectionType: common.ESC_CONNECTION_TYPE_CAN,
		}
		for i := range m.Temperature {
			m.Temperature[i] = math.MaxInt16
		}
		for i := range count {
			r := &c.rotors[first+i]
			if c.powered {
				m.Info |= 1 << i
			}
			if r.dead {
				m.FailureFlags[i] |= common.ESC_FAILURE_GENERIC
			}
			// Warmer with load: 60 °C over the air at full output (order of size).
			m.Temperature[i] = short(100 * (c.cfg.Celsius + 60*r.output*r.output))
		}
		c.emit(m)
	})
}

// sendVibration grows with rotor speed, and with a rotor that has lost part of
// its thrust, as a damaged blade does (shape and size from experience, no
// source).
func (c *Craft) sendVibration() {
	var level, broken float64
	for i := range c.rotors {
		r := &c.rotors[i]
		share := r.n / 45
		if c.cfg.Lever > 0 { // by the tips' speed: propellers of stands are of every size
			share = r.n * c.cfg.Diameter / 40
		}
		level += 6 * share * share / float64(len(c.rotors))
		broken += 60 * share * share * (1 - r.health)
	}
	level += broken
	if level > 40 {
		c.clipping += uint32(level - 40)
	}
	v := func(k float64) float32 { return float32(math.Abs(c.near(0.1+k*level, 0.05+0.08*k*level))) }
	c.emit(&common.MessageVibration{
		TimeUsec: c.bootMicros(), VibrationX: v(0.9), VibrationY: v(1), VibrationZ: v(1.3),
		Clipping_0: c.clipping,
	})
}
