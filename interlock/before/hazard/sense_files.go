package hazard

import (
	"fmt"
	"math"
	"net/netip"
	"slices"
	"strings"
	"time"

	"downhaul/interlock/pad"
	"downhaul/interlock/sense"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/document"
	"downhaul/rules/rounding"
)

// highCell is the resting voltage of a full high-voltage cell, V (from memory).
const highCell = 4.35

func (l *looker) floor() {
	if n := float64(l.cells()); n > 0 && l.Pad.Packs.Floor >= fullCell*n {
		l.pad(fmt.Sprintf("is %.3g V a cell, and a full one rests at %g V", l.Pad.Packs.Floor/n, fullCell), "write the whole pack's floor under load", "packs.floor")
	}
}

// converterEnd is the last count of a 24-bit converter.
const converterEnd = 1<<23 - 1

func (l *looker) cellEnds() {
	if l.Pad == nil || !l.Pad.LoadCell.Fitted {
		return
	}
	c := &l.Pad.LoadCell
	low, high := float64(c.Low), float64(c.High)
	if c.Low == c.High {
		low, high = -converterEnd, converterEnd
	}
	most := max((high-float64(c.Zero))*c.NewtonsPerCount, (low-float64(c.Zero))*c.NewtonsPerCount)
	l.eachRule(func(r *rules.Rule) {
		if r.Watch == rules.Tension && r.Form == rules.Above && r.Limit >= most {
			l.limit(r.Line, fmt.Sprintf("%q can never act: the load cell reads %s at most", r.Name, rounding.Show(most, r.Unit, 3, rounding.Down)), "lower it, or mend the calibration under [load_cell]")
		}
	})
}

// mass is the lightest mass that a file tells, kg, 0 where none does.
func (l *looker) mass() float64 {
	if l.Card != nil {
		return l.Card.Craft.Mass
	}
	if l.Pad == nil {
		return 0
	}
	m, _, kind, ok := sense.Number(document.Parse("", l.PadFile.Text).Root().Table("height").Value("mass"))
	if !ok || kind != rules.Mass {
		return 0
	}
	return m
}

func (l *looker) parts() {
	if l.Envelope == nil {
		return
	}
	t := &l.Envelope.Tether
	unit := rules.DefaultUnit(rules.Force, l.Envelope.Units)
	for _, s := range []struct {
		key string
		of  rules.Stretch
	}{{"stretch", t.Slow}, {"fast_stretch", t.Fast}} {
		if t.BreakingStrength > 0 && s.of.At > t.BreakingStrength {
			l.tell(l.LimitFile.Fault(0, "was measured at more than the rope's breaking strength of "+rules.Format(t.BreakingStrength, unit), "hang a load on it that it bears, and measure", "tether."+s.key))
		}
	}
	if l.Pad == nil || t.BreakingStrength == 0 {
		return
	}
	left := t.BreakingStrength
	for _, share := range []float64{t.Knot, t.Age} {
		if share > 0 {
			left *= share
		}
	}
	if up := l.mass() * (l.Pad.Height.MaxAcceleration - Gravity); up > left {
		l.tell(l.LimitFile.Fault(0, fmt.Sprintf("the tether parts as soon as the craft pulls up at it: full thrust less the weight is %s, and %s of its strength are left",
			rounding.Show(up, unit, 3, rounding.Up), rounding.Show(left, unit, 3, rounding.Down)), "take a stronger tether, or mend the figures", "tether.breaking_strength"))
	}
}

func (l *looker) weighs() {
	if l.Card == nil {
		return
	}
	c := l.Card
	lightest := math.Inf(1)
	for i := range c.Packs {
		p := &c.Packs[i]
		if p.Mass > 0 {
			lightest = min(lightest, p.Mass)
		}
		if p.Mass >= c.Craft.Mass {
			l.card(p.Line, "the pack weighs as much as the craft with it, "+c.Show(c.Craft.Mass, rules.Mass), "mass under [craft] is with its packs: mend one of the two", "pack[].mass")
		}
	}
	if c.Craft.Structure > 0 && !math.IsInf(lightest, 1) && c.Craft.Structure+lightest > c.Craft.Mass*(1+apart) {
		l.card(0, fmt.Sprintf("with the lightest pack, %s, it is more than the craft ready to fly, %s", c.Show(lightest, rules.Mass), c.Show(c.Craft.Mass, rules.Mass)), "structure is all but the packs: weigh it again", "craft.structure")
	}
}

func (l *looker) tiedown() {
	for i := 0; l.Card != nil && i < len(l.Card.Steps); i++ {
		if s := &l.Card.Steps[i]; s.TieDownPull > 0 && s.TieDown > 0 && s.TieDownPull >= s.TieDown {
			l.card(s.Line, "the tie-down would never hold it: it holds "+l.Card.Show(s.TieDown, rules.Force), "write the least that the load cell reads while the craft stands tied down", "step[].tie_down_pull")
		}
	}
}

// longAgo is how old a measurement may be before it is asked whether it still holds:
// ours, and long, since what is shipped as an example ages too.
const longAgo = 20 * 365 * 24 * time.Hour

func (l *looker) dates(refused bool) {
	for _, d := range []struct {
		file   sense.Source
		key, t string
	}{{l.PadFile, "stop.date", padDate(l.Pad)}, {l.CardFile, "motors.rig.date", cardDate(l.Card)}} {
		t, err := time.Parse(time.DateOnly, d.t)
		if err != nil {
			continue
		}
		wrong := ""
		switch no := t.Year() < 2000 || t.Year() > 2100; {
		case no != refused:
		case no:
			wrong = "is no year in which this was measured"
		case t.After(l.today.AddDate(0, 0, 1)):
			wrong = "is in the future: this computer's clock says " + l.today.Format(time.DateOnly)
		case l.today.Sub(t) > longAgo:
			wrong = fmt.Sprintf("is %.0f years ago by this computer's clock: rotors, controllers and scales have changed since", l.today.Sub(t).Hours()/24/365)
		}
		if wrong != "" {
			l.tell(d.file.Fault(0, wrong, `write the day on which it was measured, such as "2026-05-31", or measure again`, d.key))
		}
	}
}

func padDate(p *pad.Pad) string {
	if p == nil {
		return ""
	}
	return p.Stop.Date
}

func cardDate(c *card.Card) string {
	if c == nil {
		return ""
	}
	return c.Motors.Rig.Date
}

func (l *looker) addresses() {
	for i := 0; l.Pad != nil && i < len(l.Pad.Links); i++ {
		if k := &l.Pad.Links[i]; strings.HasSuffix(k.Address, ":0") && k.Address != "127.0.0.1:0" { // at a table
			l.pad(fmt.Sprintf("link %q has no port: 0 is whichever the system picks, and no craft sends there", k.Name), "write the port that the craft sends to", "link[].address")
		}
	}
	if p := l.Pad; p != nil && p.Board.Socket != "" && p.Board.Socket == p.Socket {
		l.pad("is the guard's own socket too", "give the virtual board one of its own", "board.socket")
	}
}

// hover is the least and the most output that a hover of a mass may need at full
// thrust T: m g/T where output goes with thrust, √(m g/T) where it goes with the
// rotors' speed (thrust goes with its square).
func hover(weight, thrust float64) (least, most float64) {
	return weight / thrust, math.Sqrt(weight / thrust)
}

// flights gives the steps that fly under the limits at hand, with their masses, and
// full thrust; none where a file does not tell.
func (l *looker) flights() (steps []*card.Step, thrust float64) {
	if l.Card == nil {
		return nil, 0
	}
	thrust = float64(l.Card.Motors.Count) * l.Card.Motors.Thrust
	if share := airShare(l.Card); share > 0 {
		thrust *= share
	}
	if thrust == 0 && l.Pad != nil {
		thrust = l.Pad.Height.MaxAcceleration * l.mass()
	}
	for i := range l.Card.Steps {
		s := &l.Card.Steps[i]
		if s.Kind == card.Flight && (l.Envelope == nil || s.Envelope == "" || s.EnvelopeHash == l.Envelope.Hash) {
			steps = append(steps, s)
		}
	}
	return steps, thrust
}

func (l *looker) hoverOutput() {
	steps, thrust := l.flights()
	if thrust == 0 || len(steps) == 0 {
		return
	}
	pct := func(v float64) string { return rounding.Show(v, "%", 2, rounding.Up) }
	l.eachRule(func(r *rules.Rule) {
		room := r.Limit
		switch {
		case r.Watch == rules.MotorHighest && r.Form == rules.Above:
		case r.Watch == rules.MotorHeadroom && r.Form == rules.Below:
			room = 1 - r.Limit
		default:
			return
		}
		for _, s := range steps {
			if least, most := hover((l.Card.Craft.Mass+s.Ballast)*Gravity, thrust); most >= room && most < 1 {
				l.limit(r.Line, fmt.Sprintf("%q may trip in the hover that step %q asks for: with thrust %.3g times the weight that takes %s to %s of output", r.Name, s.Name, 1/least, pct(least), pct(most)),
					"leave room above the hover, or take ballast off the card")
				return
			}
		}
	})
	for _, s := range steps {
		if least, _ := hover((l.Card.Craft.Mass+s.Ballast)*Gravity, thrust); s.Output < least {
			l.card(s.Line, fmt.Sprintf("the hover alone takes %s of output or more at full thrust %.3g times the weight", pct(least), 1/least), "write the highest output that the step needs", "step[].output")
		}
	}
}

// jump is the share of the mass that one step may add; ours.
const jump = 0.5

func (l *looker) steps() {
	if l.Card == nil {
		return
	}
	c := l.Card
	steps, thrust := l.flights()
	mass := func(v float64) string {
		return rounding.Show(v, rules.DefaultUnit(rules.Mass, c.Units), 3, rounding.Down)
	}
	lift, losses := LiftOf(c)
	before, flown := 0.0, false
	for n, s := range steps {
		weight := (c.Craft.Mass + s.Ballast) * Gravity
		ratio, wrong := thrust/weight, ""
		left := Range{Low: thrust/Gravity - c.Craft.Mass - s.Ballast, High: thrust/Gravity - c.Craft.Mass - s.Ballast}
		if losses {
			if i := slices.IndexFunc(lift.Steps, func(x LiftStep) bool { return x.Line == s.Line }); i >= 0 {
				left, ratio = lift.Steps[i].Left, lift.Steps[i].Ratio.Low
			}
		}
		text := fmt.Sprintf("step %q: %s left, thrust %.2f times the weight at worst", s.Name, left.says(mass), down2(ratio))
		switch {
		case thrust == 0:
		case left.High <= 0:
			wrong = text + ": the motors do not lift it"
		case left.Low <= 0:
			wrong = text + ": with the greater losses the motors do not lift it"
		case ratio < leastRatio:
			wrong = fmt.Sprintf("%s: less than %.1f leaves little to steer with (common practice, no source)", text, leastRatio)
		}
		if wrong != "" {
			l.card(s.Line, wrong, "take ballast off, or mend thrust, losses and mass", "step[].ballast")
		}
		if s.Shown.HasReserve && thrust > 0 && s.Shown.Reserve > thrust/((c.Craft.Mass+before)*Gravity)-1 {
			l.card(s.Line, fmt.Sprintf("no flight shows it: full thrust is %.3g times the weight of the step before", thrust/((c.Craft.Mass+before)*Gravity)), "ask for less", "step[].reserve")
		}
		if n == 0 && s.Shown.Hover > 0 {
			l.card(s.Line, "asks nothing: no step before it flies", "take it out, or add a step that flies empty", "step[].hover")
		}
		switch {
		case s.Ballast > jump*c.Craft.Mass+before:
			l.card(s.Line, fmt.Sprintf("adds %s at once to a craft of %s", mass(s.Ballast-before), mass(c.Craft.Mass)), "add a step between: nobody knows how it flies with so much", "step[].ballast")
		case flown && s.Ballast < before:
			l.card(s.Line, fmt.Sprintf("is less than the %s of the step before", mass(before)), "bring the steps into the order of their ballast", "step[].ballast")
		}
		before, flown = s.Ballast, true
	}
}

func (l *looker) cardWind() {
	steps, _ := l.flights()
	l.eachRule(func(r *rules.Rule) {
		if !r.Watch.OfWind() || r.Form != rules.Above || r.Stop == rules.NoStop {
			return
		}
		for _, s := range steps {
			if s.Shown.HasWind && s.Shown.Wind > r.Limit {
				l.card(s.Line, fmt.Sprintf("the limit %q trips at %s already", r.Name, rules.Format(r.Limit, s.Shown.WindUnit)), "write less than the limit, so that a gust finds room", "step[].wind")
				return
			}
		}
	})
}

// Stretches of any rope at a load that is held on purpose: ours.
const leastStretch, mostStretch = 0.001, 0.6

func (l *looker) tether() {
	if l.Envelope == nil {
		return
	}
	t := &l.Envelope.Tether
	radius := 0.0
	if l.Pad != nil {
		radius = l.Pad.Craft.Radius
	}
	if l.Card != nil {
		radius = max(radius, l.Card.Craft.Radius)
	}
	show := func(v float64) string { return rules.Format(v, rules.DefaultUnit(rules.Length, l.Envelope.Units)) }
	say := func(wrong, mend, key string) { l.tell(l.LimitFile.Fault(0, wrong, mend, "tether."+key)) }
	if t.Length > 0 && radius > t.Length {
		say("is shorter than the craft's radius of "+show(radius), "measure both: rotors would reach past the anchor", "length")
	}
	for _, s := range []struct {
		key string
		of  rules.Stretch
	}{{"stretch", t.Slow}, {"fast_stretch", t.Fast}} {
		if s.of.Share > 0 && (s.of.Share < leastStretch || s.of.Share > mostStretch) {
			say(fmt.Sprintf("ropes give from %s to %s", rules.Format(leastStretch, "%"), rules.Format(mostStretch, "%")), "hang a load on it and measure", s.key)
		}
	}
	if s, f := t.Slow, t.Fast; s.Share > 0 && f.Share > 0 && f.Share/f.At > s.Share/s.At*(1+apart) {
		say("gives more to a snatch than to a slow pull, and ropes are stiffer to a snatch", "look whether the two stand the right way round", "fast_stretch")
	}
}

// idleShare is the share of full current past which a rotor may still turn; ours.
const idleShare = 0.1

func (l *looker) motors() {
	if p := l.Pad; p != nil && p.Packs.Floor > 0 && l.cells() > 0 {
		if v := p.Packs.Floor / float64(l.cells()); v < 2.5 || v > 3.8 {
			l.pad(fmt.Sprintf("is %.3g V a cell: floors are from 2.5 V, where cells are harmed, to 3.8 V, where half is left at rest", v), "write the whole pack's floor under load", "packs.floor")
		}
	}
	c := l.Card
	if c == nil {
		return
	}
	for _, text := range geometry(c) {
		l.card(c.Motors.Places[0].Line, text, "", "motor[].number")
	}
	m := &c.Motors
	if m.HasLosses && m.LossHigh > 0.5 {
		l.card(0, "takes more than half of the thrust, and wakes, mounting and heat take some 10 to 20 %", "write the share that is lost", "motors.losses")
	}
	if r := &m.Rig; r.CleanTo > m.Thrust*(1+apart) && m.Thrust > 0 {
		l.card(0, "is more than the thrust itself, "+c.Show(m.Thrust, rules.Force), "write the thrust of one motor up to which it ran clean", "motors.rig.clean_to")
	}
	for i := range c.Packs {
		if p := &c.Packs[i]; m.Rig.Volts > highCell*float64(p.Cells) {
			l.card(0, fmt.Sprintf("is more than pack %q of %d cells gives when it is full", p.Name, p.Cells), "write the voltage at the motor while it ran", "motors.rig.volts")
			break
		}
	}
	l.energy(c)
	if p := l.Pad; p != nil && m.Current > 0 && p.Packs.IdleCurrent > idleShare*m.Current {
		l.pad(fmt.Sprintf("is %.0f %% of the current at full thrust: rotors that still turn would be taken for standing", 100*p.Packs.IdleCurrent/m.Current), "write what electronics alone draw", "packs.idle_current")
	}
}

// Electric power for each newton of thrust at full output, W/N, from a large slow rotor
// to a ducted fan; ours.
const leastPower, mostPower = 2, 80

// energy looks at what motors draw and packs hold.
func (l *looker) energy(c *card.Card) {
	m := &c.Motors
	if len(c.Packs) == 0 {
		return
	}
	thrust, capacity, all := float64(m.Count)*m.Thrust, 0.0, true
	for i := range c.Packs {
		capacity += c.Packs[i].Capacity
		all = all && c.Packs[i].Capacity > 0
	}
	if m.Current > 0 && thrust > 0 {
		if each := m.Current * 3.7 * float64(c.Packs[0].Cells) / thrust; each < leastPower || each > mostPower {
			l.card(0, fmt.Sprintf("is some %.2g W for each newton of thrust, and rotors take %d to %d", each, leastPower, mostPower), "write what all motors together draw at full thrust, or mend thrust and cells", "motors.current")
		}
		for i := range c.Steps {
			s := &c.Steps[i]
			// Power goes with thrust to 1.5 (momentum theory).
			hover := m.Current * math.Pow(min(1, (c.Craft.Mass+s.Ballast)*Gravity/thrust), 1.5)
			if lasts := capacity / hover; all && s.Shown.Hover.Seconds() > lasts {
				l.card(s.Line, fmt.Sprintf("the packs last %s in a hover, some %.0f A of %s", rules.Format(math.Floor(lasts), "s"), hover, rules.Format(capacity, "Ah")), "ask for a shorter hover, or mend capacity and current", "step[].hover")
			}
		}
	}
	if p := l.Pad; p != nil && p.Packs.Capacity > 0 && all {
		like := func(v float64) bool { return math.Abs(v-p.Packs.Capacity) <= 0.05*v }
		if !like(capacity) && !slices.ContainsFunc(c.Packs, func(k card.Pack) bool { return like(k.Capacity) }) {
			l.pad("the packs of the test card hold "+rules.Format(capacity, "Ah")+" together", "write the charge of the pack that is told of, or mend the card", "packs.capacity")
		}
	}
}

func (l *looker) agree() {
	if l.Pad == nil || l.Card == nil {
		return
	}
	for _, text := range Agree(l.Pad, l.Card) {
		keys := []string{"motors.thrust", "motors.rig.reading"}
		if strings.Contains(text, "radius") {
			keys = []string{"craft.radius", "craft.width"}
		}
		l.card(0, text, "", keys...)
	}
}

// mast looks at the wind's heights and the anchor's place.
func (l *looker) mast() {
	if l.Pad == nil {
		return
	}
	show := func(v float64) string { return rules.Format(v, rules.DefaultUnit(rules.Length, l.Pad.Units)) }
	if w := &l.Pad.Wind; w.RotorHeight > 0 && w.RotorHeight < w.Height {
		l.pad("is lower than the cups stand, at "+show(w.Height)+", so that wind at the rotors would read less than measured", "look whether the two stand the right way round", "wind.rotor_height")
	}
	away := math.Hypot(l.Pad.Anchor.North, l.Pad.Anchor.East)
	if l.Envelope == nil || away == 0 {
		return
	}
	if t := l.Envelope.Tether.Length; t > 0 && away > t {
		l.pad("the anchor is "+show(away)+" from where the craft stands, and the tether is "+show(t)+" long", "write it from the craft's own origin, where it stands as it starts", "anchor.north", "anchor.east")
	}
	l.eachRule(func(r *rules.Rule) {
		if isReach(r.Watch) && r.Form == rules.Above && r.Limit < away {
			l.limit(r.Line, fmt.Sprintf("%q may trip at rest on the pad: the anchor is %s from where the craft stands", r.Name, show(away)), "raise it, or mend [anchor] of the pad file")
		}
	})
}

// speeds are those that serial lines of such craft are set to; from memory.
var speeds = []int{9600, 19200, 38400, 57600, 76800, 100000, 111100, 115200, 230400, 250000, 256000, 460800, 500000, 625000, 921600, 1000000, 1500000, 2000000, 3000000}

func (l *looker) link() {
	if l.Pad == nil {
		return
	}
	for i := range l.Pad.Links {
		if k := &l.Pad.Links[i]; k.Kind == pad.Serial && !slices.Contains(speeds, k.Baud) {
			l.pad(fmt.Sprintf("link %q: no craft's port is usually set to it", k.Name), "write the speed that the craft's port is set to, such as 57600", "link[].baud")
		}
	}
	for i := range l.Pad.Links {
		k := &l.Pad.Links[i]
		if at, err := netip.ParseAddrPort(k.Address); err == nil && k.Kind == pad.UDP && !at.Addr().IsPrivate() && !at.Addr().IsLoopback() && !at.Addr().IsUnspecified() && !at.Addr().IsLinkLocalUnicast() {
			l.pad(fmt.Sprintf("link %q: a computer at a pad has no such address of its own", k.Name), `write this computer's own address, or "0.0.0.0" with the port for each of them`, "link[].address")
		}
	}
	if l.Pad.Craft.System == 255 {
		l.pad("is the number of a ground station by the standard's habit, and no craft's", "downhaul listen shows the craft's", "craft.system")
	}
	if d := l.Pad.Craft; d.OutputFull-d.OutputIdle < 200*time.Microsecond {
		l.pad(fmt.Sprintf("only %s lie between no and full output", rules.FormatDuration(d.OutputFull-d.OutputIdle)), "write the pulses of the motor controllers, some 1000 us and 2000 us", "craft.output_full", "craft.output_idle")
	}
}
