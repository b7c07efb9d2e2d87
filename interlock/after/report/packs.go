package report

import (
	"math"
	"time"

	"downhaul/interlock/before/bench"
	"downhaul/interlock/day/derived"
	"downhaul/interlock/limits"
	"downhaul/rules"
	"downhaul/rules/words"
)

// Pack is one pack as its monitor tells it.
type Pack struct {
	Session string `json:"session"`
	Pack    string `json:"pack"`
	// Resistance is that of pack and wiring at the end, from quick steps of the
	// load (IEC 61960, the d.c. method); nil until five steps came.
	Resistance *Quantity `json:"resistance"`
	// AtRest and RestEnd are the first and the last voltage under less than 1 A.
	AtRest  *Quantity `json:"resting_at_start"`
	RestEnd *Quantity `json:"resting_at_end"`
	// Lowest is the lowest voltage under load, Most the largest current.
	Lowest   *Quantity `json:"lowest_voltage"`
	LowestAt *Quantity `json:"lowest_voltage_at"`
	Most     *Quantity `json:"largest_current"`
	// Sag is the largest current × resistance seen at one instant.
	Sag        *Quantity `json:"largest_sag"`
	LowestCell *Quantity `json:"lowest_cell"`
	Spread     *Quantity `json:"widest_cell_spread"`
	// Charge is what was drawn, by the sum of the current; Told is what the
	// monitor itself counted.
	Charge *Quantity `json:"charge_drawn"`
	Told   *Quantity `json:"charge_told"`
	Hot    *Quantity `json:"highest_temperature"`
	Doubts []string  `json:"doubts"`
}

// restAmps is the current below which a voltage counts as resting: the step
// below which no resistance is learned either.
const restAmps = 1.0

// cells are the channels of one pack.
type cells struct{ voltage, current, charge, lowest, spread, heat rules.ChannelID }

// packCells are the channels of pack n, from 0.
func packCells(n int) cells {
	const per = rules.Pack2Voltage - rules.Pack1Voltage
	step := rules.ChannelID(n) * per
	return cells{rules.Pack1Voltage + step, rules.Pack1Current + step, rules.Pack1Charge + step,
		rules.Pack1LowestCell + step, rules.Pack1CellSpread + step, rules.Pack1Temperature + step}
}

// battery follows one pack.
type battery struct {
	name  string
	ids   cells
	own   *bench.Deriving // resistance and resting voltage of this pack alone
	low   extreme
	most  extreme
	cell  extreme
	wide  extreme
	hot   extreme
	volts *series

	ohms       float64
	hasOhms    bool
	sag        float64
	first      float64
	last       float64
	rested     bool
	doubtful   int
	current    int
	amps       float64
	ampsAt     time.Duration
	hasAmps    bool
	drawn      float64
	skipped    time.Duration
	told       [2]float64
	toldAtAll  bool
	everyVolts int
}

func newBattery(name string, ids cells) *battery {
	all := func(lowest bool) extreme { return extreme{to: rules.Never, lowest: lowest} }
	b := &battery{name: name, ids: ids, low: all(true), most: all(false), cell: all(true), wide: all(false), hot: all(false),
		volts: newSeries(0, rules.Never, overview)}
	calcs, _ := derived.New(derived.Config{PackVoltage: ids.voltage, PackCurrent: ids.current}, // both are stated
		func(id rules.ChannelID) bool { return id == rules.PackResting })
	b.own = bench.NewDeriving(calcs, func(t bench.Told) {
		if t.ID == rules.PackResting {
			b.resting(t.Reading)
		}
	})
	return b
}

// listen hangs the battery on the channels.
func (b *battery) listen(c *channels) {
	c.watch(b.ids.voltage, sinkFunc(b.voltageCame))
	c.watch(b.ids.current, sinkFunc(b.currentCame))
	c.watch(b.ids.charge, sinkFunc(b.chargeCame))
	c.watch(b.ids.lowest, &b.cell)
	c.watch(b.ids.spread, &b.wide)
	c.watch(b.ids.heat, &b.hot)
}

func (b *battery) voltageCame(at time.Duration, r limits.Reading) {
	b.own.Take(bench.Told{ID: b.ids.voltage, Reading: r})
	b.low.take(at, r)
	b.volts.take(at, r)
	if r.Quality == rules.Missing {
		return
	}
	b.everyVolts++
	if now := b.own.Table[b.ids.current]; now.At == at && now.Quality == rules.Good && math.Abs(now.Value) < restAmps {
		if !b.rested {
			b.first, b.rested = r.Value, true
		}
		b.last = r.Value
	}
}

// longestStep is the spacing of two currents over which charge is still summed
// up; ours.
const longestStep = 5 * time.Second

func (b *battery) currentCame(at time.Duration, r limits.Reading) {
	b.own.Take(bench.Told{ID: b.ids.current, Reading: r})
	b.most.take(at, r)
	if r.Quality != rules.Good {
		b.hasAmps = false
		b.doubtful++
		return
	}
	b.current++
	if step := at - b.ampsAt; b.hasAmps && step <= longestStep {
		b.drawn += (r.Value + b.amps) / 2 * step.Seconds() // the trapezoid
	} else if b.current > 1 {
		b.skipped += step
	}
	b.amps, b.ampsAt, b.hasAmps = r.Value, at, true
}

func (b *battery) chargeCame(_ time.Duration, r limits.Reading) {
	if r.Quality != rules.Good {
		return
	}
	if !b.toldAtAll {
		b.told[0], b.toldAtAll = r.Value, true
	}
	b.told[1] = r.Value
}

func (b *battery) resting(r limits.Reading) {
	if ohms := b.own.Table[rules.PackResistance]; ohms.Quality == rules.Good {
		b.ohms, b.hasOhms = ohms.Value, true
	}
	if r.Quality == rules.Good {
		b.sag = max(b.sag, r.Value-b.own.Table[b.ids.voltage].Value)
	}
}

// pack is the result.
func (b *battery) pack(session, units string) Pack {
	p := Pack{Session: session, Pack: b.name, Doubts: []string{}}
	volts := func(v float64) *Quantity { return quantity(v, rules.Voltage, "V") }
	if b.everyVolts == 0 {
		p.Doubts = append(p.Doubts, "no voltage was ever told")
		return p
	}
	if b.hasOhms {
		p.Resistance = quantity(b.ohms, rules.Resistance, "mohm")
		p.Sag = volts(b.sag)
	} else if b.own.Table[rules.PackResistance].Cause == rules.TooSlow {
		p.Doubts = append(p.Doubts, "no resistance: voltage and current came more than 2.5 s apart, too seldom to tell a quick step; "+
			"have the craft send BATTERY_STATUS every 2 s or more often, or write load_from = \"sys_status\" under [packs]")
	} else {
		p.Doubts = append(p.Doubts, "no resistance: fewer than five quick steps of the load over 1 A and 5 % of the largest current")
	}
	if b.rested {
		p.AtRest, p.RestEnd = volts(b.first), volts(b.last)
	} else {
		p.Doubts = append(p.Doubts, "never seen under less than 1 A, so its resting voltage is not known")
	}
	p.Lowest, p.LowestAt = volts(b.low.value), seconds(b.low.at)
	p.Most = b.most.quantity(rules.Current, "A")
	p.LowestCell = b.cell.quantity(rules.Voltage, "V")
	if p.LowestCell == nil {
		p.Doubts = append(p.Doubts, "no single cell is told, so a weak one would not show")
	}
	p.Spread = b.wide.quantity(rules.Voltage, "V")
	p.Hot = b.hot.quantity(rules.Temperature, rules.DefaultUnit(rules.Temperature, units))
	if b.current > 1 {
		p.Charge = quantity(b.drawn, rules.Charge, "Ah")
	}
	if b.toldAtAll {
		p.Told = quantity(b.told[1]-b.told[0], rules.Charge, "Ah")
	}
	if b.doubtful > 0 {
		p.Doubts = append(p.Doubts, "of the current, "+words.Count(b.doubtful, "reading")+" missing or doubtful, which count for nothing")
	}
	if b.skipped > 0 {
		p.Doubts = append(p.Doubts, "the current was not told for "+rules.Reading(b.skipped.Seconds(), "s")+" in all: the charge lacks what flowed then")
	}
	return p
}
