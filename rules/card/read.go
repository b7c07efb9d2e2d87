package card

import (
	"crypto/sha256"
	"math"
	"time"

	"downhaul/rules"
	"downhaul/rules/document"
)

// Read reads a test card. Either the card is complete and there is no fault, or
// it is nil and every fault is listed by line. The file's name is for the faults
// only.
func Read(file string, text []byte) (*Card, document.Faults) {
	d := document.Parse(file, text)
	root := d.Root()
	c := &Card{Version: rules.FileVersion, Hash: sha256.Sum256(text)}
	rules.CheckVersion(root)
	c.Title, _ = root.Note("title")
	c.Units = rules.UnitsAt(root)
	c.readCraft(root.Table("craft"))
	c.Air = readAir(root)
	c.readMotors(root.Table("motors"), root.Rows("motor"))
	for _, t := range root.Rows("pack") {
		c.readPack(t)
	}
	for _, t := range root.Rows("mode") {
		c.readMode(t)
	}
	rows := root.Rows("step")
	if len(rows) == 0 {
		root.Missing("step", "no [[step]]: the card names nothing to do", "write at least one step")
	}
	for _, t := range rows {
		c.readStep(t)
	}
	c.checkNames(rows)
	if faults := d.Faults(); len(faults) > 0 {
		return nil, faults
	}
	return c, nil
}

func (c *Card) readCraft(t *document.Table) {
	c.Craft.Name, _ = t.Name("name")
	t.Need("name", "missing", `write the craft's name under [craft]`)
	c.Craft.Mass, _ = rules.PositiveAt(t, "mass", rules.Mass)
	t.Need("mass", "missing", `write the mass ready to fly, without ballast: mass = "31 kg"`)
	c.Craft.Structure, _ = rules.PositiveAt(t, "structure", rules.Mass)
	t.FaultIf(c.Craft.Mass > 0 && c.Craft.Structure > c.Craft.Mass, "structure", "is more than the mass ready to fly", "structure is a part of mass: all but the packs")
	c.Craft.Radius, _ = rules.PositiveAt(t, "radius", rules.Length)
	c.Craft.BladeThrow, _ = rules.PositiveAt(t, "blade_throw", rules.Length)
	c.Craft.Lowering, _ = rules.PositiveAt(t, "lowering", rules.Speed)
	c.Craft.AfterCrash, _ = rules.DurationAt(t, "after_crash")
	if w, ok := rules.PositiveAt(t, "width", rules.Length); ok {
		t.FaultIf(t.Has("radius"), "width", "stands beside radius", "keep one of the two")
		c.Craft.Radius = w / 2
	}
}

// rigAgrees is how far a thrust that is written may be from reading times
// lever; ours: what a hand scale reads apart twice over.
const rigAgrees = 0.02

func (c *Card) readMotors(t *document.Table, rows []*document.Table) {
	m := &c.Motors
	m.Count, _ = t.Int("count", 1, 32)
	m.Line = t.LineOf("count")
	if t.Present() || len(rows) > 0 {
		t.Need("count", "missing", "write how many motors there are under [motors]: count = 8")
	}
	m.Thrust, _ = rules.PositiveAt(t, "thrust", rules.Force)
	m.Current, _ = rules.PositiveAt(t, "current", rules.Current)
	m.Table, m.TableHash = fileAt(t, "table", "table_sha256")
	m.Configuration, _ = t.Name("configuration")
	m.GuardMass, _ = rules.PositiveAt(t, "guard_mass", rules.Mass)
	m.LossLow, m.LossHigh, m.HasLosses = sharesAt(t, "losses")
	m.GuardLow, m.GuardHigh, m.HasGuard = sharesAt(t, "guard")
	m.readRig(t.Table("rig"))
	if m.Rig.Measured {
		measured := float64(m.Rig.Reading * m.Rig.Lever)
		switch d := measured - m.Thrust; {
		case m.Thrust == 0:
			m.Thrust = measured
		case d > float64(rigAgrees*measured) || -d > float64(rigAgrees*measured):
			t.Fault("thrust", "is not what the rig gave: reading times lever is "+rules.Format(measured, "N"), t.Got("thrust"),
				"take thrust out, so that the measure counts, or mend reading and lever")
		}
	}
	for _, row := range rows {
		m.readPlace(row)
	}
	if n := len(m.Places); n > 0 && m.Count > 0 && n != m.Count {
		t.Fault("count", "there are not as many [[motor]]", t.Got("count"), "write one [[motor]] for each, or none")
	}
}

func sharesAt(t *document.Table, key string) (low, high float64, ok bool) {
	how := "write it as " + key + ` = "10 % to 15 %"`
	low, high, ok = rules.PairAt(t, key, " to ", rules.Ratio, rules.Ratio, "is no range", how)
	if ok && (low < 0 || high < low || high >= 1) {
		t.Fault(key, "must rise from 0 % or more to less than 100 %", t.Got(key), how)
	}
	return low, high, ok
}

func (m *Motors) readRig(t *document.Table) {
	if !t.Present() {
		return
	}
	r := &m.Rig
	r.Reading, _ = rules.PositiveAt(t, "reading", rules.Force)
	t.Need("reading", "missing", `write what the scale showed: reading = "27 lbf"`)
	if n, ok := t.Number("lever"); ok {
		if n <= 0 || n > 100 {
			t.Fault("lever", "must be more than 0 and at most 100", t.Got("lever"), "write thrust over reading: the motor's thrust is reading times lever")
		} else {
			r.Lever = n
		}
	}
	t.Need("lever", "missing", "write thrust over reading, 1 without a lever: lever = 2")
	r.Volts, _ = rules.PositiveAt(t, "volts", rules.Voltage)
	t.Need("volts", "missing", `write the voltage at the motor while it ran: volts = "48 V"`)
	r.CleanTo, _ = rules.PositiveAt(t, "clean_to", rules.Force)
	r.Air = readAir(t)
	r.Date, _ = t.Name("date")
	if r.Date != "" {
		if _, err := time.Parse(time.DateOnly, r.Date); err != nil {
			t.Fault("date", "is no date", document.Quote(r.Date), `write year, month and day: date = "2026-05-16"`)
		}
	}
	r.By, _ = t.Name("by")
	r.Measured = r.Reading > 0 && r.Lever > 0
}

func (m *Motors) readPlace(t *document.Table) {
	p := Place{Line: t.Line()}
	n, ok := t.Int("number", 1, 32)
	t.Need("number", "missing", "write the number of its output, from 1: number = 1")
	p.Number = n
	for i := range m.Places {
		t.FaultIf(ok && m.Places[i].Number == p.Number, "number", "two motors have this number", "give each output once")
	}
	where := func(key string) float64 {
		q, _ := rules.QuantityAt(t, key, rules.Length)
		t.Need(key, "missing", `write how far from the middle: `+key+` = "0.9 m", negative for the other side`)
		return q.SI
	}
	p.Ahead, p.Right = where("ahead"), where("right")
	s, _ := t.Choice("spin", string(Clockwise), string(CounterClockwise))
	t.Need("spin", "missing", `write how it turns, seen from above: spin = "cw" or "ccw"`)
	p.Spin = Spin(s)
	m.Places = append(m.Places, p)
}

func (c *Card) readPack(t *document.Table) {
	p := Pack{Line: t.Line()}
	name, ok := t.Name("name")
	t.Need("name", "missing", `write what stands on the pack: name = "A1"`)
	if before, taken := c.Pack(name); ok && taken {
		t.Fault("name", "two packs have this name", document.Quote(name), "rename one; the other is on line "+lineText(before.Line))
	}
	p.Name = name
	p.Cells, _ = t.Int("cells", 1, 28)
	t.Need("cells", "missing", "write how many cells are in series: cells = 14")
	p.Capacity, _ = rules.PositiveAt(t, "capacity", rules.Charge)
	p.Mass, _ = rules.PositiveAt(t, "mass", rules.Mass)
	p.Resistance, _ = rules.PositiveAt(t, "resistance", rules.Resistance)
	c.Packs = append(c.Packs, p)
}

func (c *Card) readMode(t *document.Table) {
	n, ok := t.Number("number")
	t.Need("number", "missing", "write what the autopilot tells as custom_mode in this mode: number = 5")
	name, _ := t.Name("name")
	t.Need("name", "missing", `write what the crew calls it: name = "hold position"`)
	if ok && (n < 0 || n > math.MaxUint32 || n != math.Trunc(n)) {
		t.Fault("number", "is no whole number from 0 to 4294967295", t.Got("number"), "write the custom_mode that downhaul listen shows in this mode")
		return
	}
	for _, m := range c.Modes {
		t.FaultIf(ok && float64(m.Number) == n, "number", "two modes have this number", "name each once")
	}
	c.Modes = append(c.Modes, Mode{uint32(n), name})
}
