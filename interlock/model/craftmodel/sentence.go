package craftmodel

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"downhaul/rules"
	"downhaul/rules/document"
)

// form is one way to write a line: words that stand there as they are, and in brackets what
// is told: a quantity of that kind, <n> a whole number, <span> how long it lasts.
type form struct {
	text string
	act  Act                   // of a line that begins with "at"
	set  func(*Config, filled) // of a setting
}

// filled is what stands in the brackets of a form.
type filled struct {
	values []float64 // SI
	number int
	span   time.Duration
}

// happenings are the forms of what happens, but for say and pad, which take any text.
var happenings = []form{
	{text: "arm", act: Arm}, {text: "disarm", act: Disarm},
	{text: "climb to <length>", act: ClimbTo}, {text: "hold", act: Hold}, {text: "land", act: LandNow},
	{text: "gust <speed> for <span>", act: Gust}, {text: "wind <speed>", act: MeanWind},
	{text: "power off", act: PowerOff}, {text: "power on", act: PowerOn},
	{text: "clear faults", act: ClearFaults}, {text: "end", act: End},
	{text: "output <share>", act: OutputTo}, {text: "hang <mass>", act: Hang}, // on a thrust stand

	{text: "fault runaway", act: Runaway}, {text: "fault runaway to <share>", act: Runaway},
	{text: "fault motor <n> loses <share>", act: MotorLoss},
	{text: "fault tumble", act: Tumble},
	{text: "fault telemetry stops", act: TelemetryOff}, {text: "fault telemetry stops for <span>", act: TelemetryOff},
	{text: "fault telemetry lags <time>", act: TelemetryLag},
	{text: "fault telemetry loses <share>", act: TelemetryDrop},
	{text: "fault reboot", act: Reboot}, {text: "fault reboot for <span>", act: Reboot},
	{text: "fault cell <n> sags <voltage>", act: CellSag},
	{text: "fault height drifts <speed>", act: HeightDrift},
	{text: "fault height jumps <length>", act: HeightStep},
	{text: "fault height turns", act: HeightTurns}, // told with the wrong sign
	{text: "fault place drifts <speed>", act: PlaceDrift},
	{text: "fault home moves <length>", act: HomeMove},
	{text: "fault estimator", act: Estimator},
	{text: "fault attitude freezes", act: Freeze},
	{text: "fault anemometer stops", act: CupsStick},
	{text: "fault load cell sticks", act: CellSticks}, {text: "fault load cell reads <force> off", act: CellOff},
	{text: "fault tether parts", act: TetherParts},
	{text: "fault tether is <length>", act: TetherIs}, // snagged, or slipped where it is longer
	{text: "fault pack sags <voltage>", act: PackSag}, // every cell
	{text: "fault output stays below <share>", act: OutputLimit},
	{text: "fault propeller flutters from <frequency>", act: Flutters}, // on a thrust stand
	{text: "fault supply gives way from <current>", act: GivesWay},
}

// settings are the forms of what the day is like, but for title, seed and expect.
var settings = []form{
	{text: "ballast <mass>", set: func(c *Config, f filled) { c.Ballast = f.values[0] }},
	{text: "wind <speed>", set: func(c *Config, f filled) { c.Wind = f.values[0] }},
	{text: "wind <speed> from <angle>", set: func(c *Config, f filled) { c.Wind, c.WindFrom = f.values[0], f.values[1] }},
	{text: "turbulence none", set: func(c *Config, _ filled) { c.Turbulence = 0 }},
	{text: "turbulence <share>", set: func(c *Config, f filled) { c.Turbulence = f.values[0] }}, // of the published intensity
	{text: "charge <share>", set: func(c *Config, f filled) { c.Charge = f.values[0] }},
	{text: "tether none", set: func(c *Config, _ filled) { c.TetherLength = 0 }},
	{text: "tether <length>", set: func(c *Config, f filled) { c.TetherLength = f.values[0] }},
	{text: "elevation <length>", set: func(c *Config, f filled) { c.Elevation = f.values[0] }},
	{text: "temperature <temperature>", set: func(c *Config, f filled) { c.Celsius = f.values[0] }},
	{text: "unpowered", set: func(c *Config, _ filled) { c.Unpowered = true }}, // starts with the contactor open
	// Where a guard flies it, time begins with the press of start or in a hover; else with
	// power on the rotors.
	{text: "from start"}, {text: "from hover"},
}

var bracketed = map[string]rules.Kind{
	"<length>": rules.Length, "<speed>": rules.Speed, "<share>": rules.Ratio, "<time>": rules.Duration, "<span>": rules.Duration,
	"<mass>": rules.Mass, "<force>": rules.Force, "<voltage>": rules.Voltage, "<current>": rules.Current, "<frequency>": rules.Frequency,
	"<angle>": rules.Angle, "<temperature>": rules.Temperature,
}

// words are what is left of a line.
type words []string

// next takes the next word, empty at the end.
func (w *words) next() string {
	if len(*w) == 0 {
		return ""
	}
	first := (*w)[0]
	*w = (*w)[1:]
	return first
}

// quantity reads a number and a unit apart from it.
func (w *words) quantity(kind rules.Kind) (float64, error) {
	number, unit := w.next(), w.next()
	q, err := rules.ParseQuantity(number+" "+unit, kind)
	return q.SI, err
}

// miss is where a line leaves a form: behind so many words.
type miss struct {
	behind int
	want   string // the word that should have come
	err    error  // what is wrong with a quantity or number that came
}

// fill holds a line against the form; nil where it fits.
func (f *form) fill(line words) (got filled, left *miss) {
	rest := line
	for _, part := range strings.Fields(f.text) {
		kind, isQuantity := bracketed[part]
		var err error
		behind, v := len(line)-len(rest), 0.0
		switch {
		case part == "<n>":
			word := rest.next()
			if got.number, err = strconv.Atoi(word); err != nil {
				err = fmt.Errorf("expected a whole number (got %q)", word)
			}
		case part == "<span>":
			v, err = rest.quantity(kind)
			got.span = seconds(v)
		case isQuantity:
			v, err = rest.quantity(kind)
			got.values = append(got.values, v)
		case rest.next() != part:
			return got, &miss{behind, part, nil}
		}
		if err != nil {
			return got, &miss{behind, "", err}
		}
	}
	if len(rest) > 0 {
		return got, &miss{len(line) - len(rest), "", nil}
	}
	return got, nil
}

// fitting returns the form that a line has. Where none fits, the error is of those that do
// for longest; what names them, and others are the words with which a line may begin as well.
func fitting(what string, forms []form, line words, others ...string) (*form, filled, error) {
	var deepest miss
	var wants []string
	for i := range forms {
		got, left := forms[i].fill(line)
		if left == nil {
			return &forms[i], got, nil
		}
		if left.behind > deepest.behind {
			deepest, wants = *left, nil
		}
		if left.behind == deepest.behind {
			deepest.err = cmp.Or(deepest.err, left.err)
			if left.want != "" && !slices.Contains(wants, left.want) {
				wants = append(wants, left.want)
			}
		}
	}
	rest := line[deepest.behind:]
	first := rest.next()
	switch {
	case deepest.err != nil:
		return nil, filled{}, deepest.err
	case deepest.behind == 0:
		return nil, filled{}, fmt.Errorf("no such %s (got %q); known are %s", what, first, document.List(append(wants, others...), "and"))
	case deepest.behind == 1 && line[0] == "fault":
		return nil, filled{}, fmt.Errorf("no such fault (got %q); known are %s", first, document.List(wants, "and"))
	case len(wants) > 0:
		return nil, filled{}, fmt.Errorf(`expected "%s" (got %q)`, strings.Join(wants, `" or "`), first)
	}
	return nil, filled{}, fmt.Errorf("nothing more was expected here (got %q)", strings.Join(line[deepest.behind:], " "))
}

// readAct reads what happens, behind its time.
func readAct(w words, e *Event, line string) error {
	switch {
	case len(w) > 0 && w[0] == "pad":
		e.Act, e.Text = PadAct, strings.Join(w[1:], " ")
		if e.Text == "" {
			return errors.New(`pad needs what happens there, such as "pad press estop"`)
		}
		return nil
	case len(w) > 0 && w[0] == "say":
		e.Act, e.Number = Say, sevInfo
		from, to := strings.Index(line, `"`), strings.LastIndex(line, `"`)
		if from < 0 || to <= from || to != len(line)-1 {
			return fmt.Errorf(`say needs a text in quotes at the end of the line (got %q)`, line)
		}
		e.Text = line[from+1 : to]
		return nil
	}
	f, got, err := fitting("act", happenings, w, "say", "pad")
	if err != nil {
		return err
	}
	e.Act, e.Number, e.For = f.act, got.number, got.span
	switch {
	case len(got.values) > 0:
		e.Value = got.values[0]
	case e.Act == Runaway:
		e.Value = 1
	}
	return nil
}
