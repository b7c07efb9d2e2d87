package pad

import (
	"fmt"
	"math"
	"time"

	"downhaul/interlock/day/derived"
	"downhaul/rules"
	"downhaul/rules/document"
)

// Metres of wind a pulse that any cup or propeller anemometer could have; ours.
const leastSlope, mostSlope = 0.001, 10.0

// Winds in which any cups could start to turn; ours.
const leastStart, mostStart = 0.1, 3.0

// defaultStill is the time without a pulse after which the rotor stands.
const defaultStill = 3 * time.Second

func (r *reading) wind() {
	t := r.root.Table("wind")
	w := &r.Wind
	w.Fitted = t.Present()
	if r.Board.Line("anemometer").Fitted && !w.Fitted && !r.Board.implied {
		r.root.Table("board").Table("lines").Fault("anemometer", "there is no [wind] that says what its pulses mean", "", "write [wind] with slope and offset from the certificate, or take the line out")
	}
	if !w.Fitted {
		if r.Board.Line("wind_loop").Fitted {
			r.root.Table("board").Table("lines").Fault("wind_loop", "there is no [wind] whose wire it could watch", "", "write [wind], or take the line out")
		}
		return
	}
	r.notAbsent(t, rules.WindSpeed)
	if !r.Board.Line("anemometer").Fitted {
		r.root.Missing("wind", "the anemometer has no line", "name its pin under [board.lines]")
	}
	var okSlope, okOffset bool
	w.Slope, okSlope = rules.PositiveAt(t, "slope", rules.Length)
	if okSlope && (w.Slope < leastSlope || w.Slope > mostSlope) {
		t.Fault("slope", fmt.Sprintf("must be from %s to %s a pulse", rules.Format(leastSlope, "m"), rules.Format(mostSlope, "m")), t.Got("slope"), "take it from the certificate")
		okSlope = false
	}
	w.Offset, okOffset = rules.NotNegativeAt(t, "offset", rules.Speed)
	t.Need("slope", "missing", `write metres of wind per pulse from the certificate: slope = "0.62 m"`)
	t.Need("offset", "missing", `write the speed at no pulses from the certificate: offset = "0.27 m/s"`)
	w.PulsesPerTurn, _ = t.Int("pulses_per_turn", 1, 1000)
	if okSlope && okOffset {
		highest := rules.WindSpeed.Channel().High
		if w.Offset >= highest/10 {
			t.Fault("offset", "is no offset of an anemometer", t.Got("offset"), "the certificate says some 0.2 to 0.5 m/s")
		} else {
			w.MaxHz = (highest - w.Offset) / w.Slope
		}
	}
	if d, ok := rules.DurationAt(t, "bounce"); ok {
		w.Bounce = d
		t.FaultIf(w.MaxHz > 0 && d.Seconds() >= 1/w.MaxHz, "bounce", "longer than a pulse at the highest wind", "write less than "+rules.Format(1/w.MaxHz, "ms"))
	}
	w.StillAfter = timeOr(t, "still_after", time.Minute, defaultStill)
	if v, ok := rules.PositiveAt(t, "starts_at", rules.Speed); ok {
		if w.StartsAt = v; v < leastStart || v > mostStart {
			t.Fault("starts_at", fmt.Sprintf("must be from %s to %s", rules.Format(leastStart, "m/s"), rules.Format(mostStart, "m/s")), t.Got("starts_at"), "the data sheet says some 0.3 to 0.5 m/s")
		}
	}
	edge, _ := t.Choice("edge", "rise", "fall")
	w.OnFall = edge == "fall"
	r.windHeight(t)
}

// windHeight reads how wind is carried up to the rotors.
func (r *reading) windHeight(t *document.Table) {
	w := &r.Wind
	w.Height, _ = rules.PositiveAt(t, "height", rules.Length)
	w.RotorHeight, _ = rules.PositiveAt(t, "rotor_height", rules.Length)
	w.Roughness, _ = rules.PositiveAt(t, "roughness", rules.Length)
	if n, ok := t.Number("exponent"); ok {
		if n <= 0 || n > 1 {
			t.Fault("exponent", "must be more than 0 and at most 1", t.Got("exponent"), "over open ground some 0.14")
		} else {
			w.Exponent = n
		}
	}
	method, _ := t.Choice("method", "log", "power")
	other := map[string]string{"log": "exponent", "power": "roughness"}
	needs := map[string][]string{"log": {"height", "rotor_height", "roughness"}, "power": {"height", "rotor_height", "exponent"}}
	switch method {
	case "log":
		w.Method = derived.LogLaw
	case "power":
		w.Method = derived.PowerLaw
	default:
		if !t.Has("method") {
			t.Forbid("means nothing without a method", `write method = "log" or "power"`, "roughness", "exponent", "rotor_height")
		}
		return
	}
	t.Forbid(fmt.Sprintf("method %q has none", method), "take it out", other[method])
	for _, key := range needs[method] {
		t.Need(key, fmt.Sprintf("missing: method %q needs it", method), "write it, or take the method out")
	}
	t.FaultIf(w.Method == derived.LogLaw && w.Roughness > 0 && (w.Height > 0 && w.Roughness >= w.Height || w.RotorHeight > 0 && w.Roughness >= w.RotorHeight), "roughness", "must be less than both heights", "open grass 0.03 m, a sea 0.0002 m")
}

// The ends of a 24-bit converter, and the rates that common ones have.
const (
	mostCount     = 1<<23 - 1
	slowestRate   = 1.0
	fastestRate   = 1000.0
	defaultRate   = 80.0
	mostPerCount  = 1e6
	leastPerCount = 1e-6
)

func (r *reading) loadCell() {
	t := r.root.Table("load_cell")
	c := &r.LoadCell
	c.Rate = defaultRate
	known := t.Rows("known")
	source, _ := t.Choice("source", "own", "winch")
	zero, _ := t.Int("zero", -mostCount, mostCount-1) // a converter clips at the last
	per, okPer := t.Number("newtons_per_count")
	low, okLow := t.Int("low", -mostCount, mostCount)
	high, okHigh := t.Int("high", -mostCount, mostCount)
	rate, okRate := rules.QuantityAt(t, "rate", rules.Frequency)
	if !t.Present() {
		return
	}
	r.notAbsent(t, rules.Tension)
	if source == "winch" {
		c.Winch = true
		t.Forbid("a tension that the craft tells needs no calibration here", "take it out",
			"zero", "newtons_per_count", "low", "high", "rate", "device", "known")
		return
	}
	c.Fitted = true
	if okRate {
		if rate.SI < slowestRate || rate.SI > fastestRate {
			t.Fault("rate", "must be from 1 to 1000 Hz", t.Got("rate"), "write the converter's rate, such as 80 Hz")
		} else {
			c.Rate = rate.SI
		}
	}
	r.device(t)
	if okLow != okHigh && t.Has("low") != t.Has("high") {
		t.Missing(map[bool]string{true: "high", false: "low"}[okLow], "missing: the range has two ends", "write both, or neither for the converter's own")
	}
	if okLow && okHigh {
		t.FaultIf(low >= high, "high", "must be more than low", fmt.Sprintf("low is %d", low))
		c.Low, c.High = int32(low), int32(high)
	}
	if len(known) > 0 {
		t.Forbid("stands beside known loads", "keep one of the two", "zero", "newtons_per_count")
		c.fit(t, known)
		return
	}
	t.Need("zero", "missing", "write the count at no load, or [[load_cell.known]] rows")
	t.Need("newtons_per_count", "missing", "write it, or [[load_cell.known]] rows with a known load each")
	t.FaultIf(okPer && !believable(per), "newtons_per_count", fmt.Sprintf("must be from %g to %g or the negative of that", leastPerCount, mostPerCount), "load the cell with a known mass and divide; negative when the count falls as the tension grows")
	c.Zero, c.NewtonsPerCount = int32(zero), per
	c.checkZero(t)
}

func believable(perCount float64) bool {
	size := math.Abs(perCount)
	return size >= leastPerCount && size <= mostPerCount
}

// checkZero refuses a zero at or past an end of the range.
func (c *LoadCell) checkZero(t *document.Table) {
	if c.Low < c.High && (c.Zero <= c.Low || c.Zero >= c.High) {
		t.Fault("zero", fmt.Sprintf("not between low and high, %d and %d", c.Low, c.High), fmt.Sprintf("%d", c.Zero), "tare the cell unloaded")
	}
}

// fit lays the line of least squares through the known loads.
func (c *LoadCell) fit(t *document.Table, known []*document.Table) {
	var counts, loads []float64
	for _, row := range known {
		load, okLoad := document.Parsed(row, "load", ParseLoad)
		n, okCounts := row.Int("counts", -mostCount, mostCount)
		for _, key := range []string{"load", "counts"} {
			row.Need(key, "missing", `a known load has two: load = "20 kg" and counts = 183204`)
		}
		if okLoad && okCounts {
			counts, loads = append(counts, float64(n)), append(loads, load)
		}
	}
	if len(counts) < len(known) {
		return
	}
	if len(known) < 2 {
		known[0].Missing("load", "one known load is no line", "write a second row; no load at all is one")
		return
	}
	var meanCount, meanLoad, spread, both float64
	for i := range counts {
		meanCount += counts[i] / float64(len(counts))
		meanLoad += loads[i] / float64(len(loads))
	}
	for i := range counts {
		dc := counts[i] - meanCount
		spread += float64(dc * dc)
		both += float64(dc * (loads[i] - meanLoad))
	}
	if spread == 0 || both == 0 || !believable(both/spread) {
		known[1].Fault("counts", "the known loads do not differ", known[1].Got("counts"), "hang a load that the cell can tell from none")
		return
	}
	c.NewtonsPerCount = both / spread
	zero := math.Round(meanCount - meanLoad/c.NewtonsPerCount)
	if math.Abs(zero) >= mostCount {
		known[1].Fault("counts", "the line meets no load far outside the converter's range", known[1].Got("counts"), "check loads and counts")
		return
	}
	c.Zero = int32(zero)
	c.checkZero(t)
	// Ours: a load cell is straight to far better than this, so that a larger
	// error is a typing mistake or a load that was not free.
	const crooked = 0.02
	widest, most, at := 0.0, 0.0, 0 // the one that is farthest off draws the others along
	for i := range loads {
		widest = max(widest, math.Abs(loads[i]-meanLoad))
		if off := math.Abs(float64((counts[i]-meanCount)*c.NewtonsPerCount) - (loads[i] - meanLoad)); off > most {
			most, at = off, i
		}
	}
	if most > crooked*widest {
		known[at].Fault("load", fmt.Sprintf("off the line through the others by %s", rules.Format(most, "N")), known[at].Got("load"), "weigh it again, hanging free")
	}
}

// ParseLoad reads a force, or a mass that hangs free, in newtons. The error is a
// Fault without a place.
func ParseLoad(text string) (float64, error) {
	if q, err := rules.ParseQuantity(text, rules.Mass); err == nil {
		return q.SI * standardGravity, nil
	}
	q, err := rules.ParseQuantity(text, rules.Force)
	if f, ok := err.(rules.Fault); ok {
		f.Mend = `write a mass or a force, such as "20 kg" or "200 N"`
		err = f
	}
	return q.SI, err
}

// longestNamed is the room of NAMED_VALUE_FLOAT.name (MAVLink common messages).
const longestNamed = 10

func (r *reading) named() {
	for _, t := range r.root.Rows("named") {
		n, ok := readNamed(t)
		if !ok {
			continue
		}
		for _, before := range r.Named {
			t.FaultIf(before.Name == n.Name, "name", "named twice", "keep one")
			t.FaultIf(before.Channel == n.Channel, "channel", "two names feed one channel", "keep one: a source never switches in silence")
		}
		t.FaultIf(n.Channel == rules.WindSpeed && r.Wind.Fitted || n.Channel == rules.Tension && (r.LoadCell.Fitted || r.LoadCell.Winch), "channel", "this pad has another source of it", "keep one: a source never switches in silence")
		if a, lacks := r.lacks(n.Channel.String()); lacks {
			t.Fault("channel", "stands under [absent] too", document.Quote(a.Reason), "keep one of the two")
		}
		r.Named = append(r.Named, n)
	}
}

func readNamed(t *document.Table) (Named, bool) {
	var n Named
	name, okName := t.Name("name")
	channel, okChannel := t.String("channel")
	unit, okUnit := t.String("unit")
	for _, key := range []string{"name", "channel"} {
		t.Need(key, "missing", `a named value has a name, a channel and its unit`)
	}
	if !okName || !okChannel {
		return n, false
	}
	if len(name) > longestNamed {
		t.Fault("name", "a name in the message has at most 10 characters", document.Quote(name), "write it as the craft sends it")
		return n, false
	}
	c, ok := rules.Lookup(channel)
	if !ok || !canBeNamed(c) {
		wrong := "no such channel"
		if ok {
			wrong = "cannot be fed by a named value"
		}
		t.Fault("channel", wrong, document.Quote(channel), nearestMeasured(channel))
		return n, false
	}
	n = Named{Name: name, Channel: c.ID, Factor: 1}
	if c.Kind == rules.Number {
		t.Forbid("the channel has no unit", "take it out", "unit")
		return n, true
	}
	if !okUnit {
		t.Need("unit", "missing", "write the unit in which the craft sends it: "+document.List(c.Kind.Units(), "or"))
		return n, false
	}
	// The unit's line through two points: exact for every unit without an
	// offset, and within a rounding for the others.
	at0, err := rules.ParseQuantity("0 "+unit, c.Kind)
	if f, ok := err.(rules.Fault); ok {
		f.Got = document.Quote(unit)
		t.Refuse("unit", f)
		return n, false
	}
	one, err := rules.ParseDifference("1 "+unit, c.Kind)
	if err != nil {
		t.Refuse("unit", err)
		return n, false
	}
	n.Unit, n.Offset, n.Factor = one.Unit, at0.SI, one.SI
	return n, true
}

// canBeNamed reports whether a value that the craft names can feed the channel:
// not what is worked out or measured here, nor the clock that tells restarts.
func canBeNamed(c rules.Channel) bool {
	return !c.Derived && c.Kind != rules.Flag && c.ID != rules.CraftBootClock && c.ID != rules.LinkAge && c.ID != rules.LinkLoss
}

func nearestMeasured(got string) string {
	var names []string
	for _, c := range rules.Catalogue() {
		if canBeNamed(c) {
			names = append(names, c.Name)
		}
	}
	if mend := document.Nearest(got, names); mend != "" {
		return mend
	}
	return "name a channel that is measured, such as told1"
}

// notAbsent refuses a sensor whose channel stands under [absent] too.
func (r *reading) notAbsent(t *document.Table, id rules.ChannelID) {
	if _, lacks := r.lacks(id.String()); lacks {
		r.root.Table("absent").Fault(id.String(), fmt.Sprintf("the pad file names a source of it on line %d", t.Line()), "", "keep one of the two")
	}
}
