package craftmodel

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// measure is a kind of quantity with the units a scenario may use for it.
type measure struct {
	name  string
	units []unit
}

type unit struct {
	name   string
	factor float64 // to the SI unit
}

var (
	length      = measure{"a length", []unit{{"m", 1}, {"cm", 0.01}, {"ft", 0.3048}}}
	speed       = measure{"a speed", []unit{{"m/s", 1}, {"km/h", 1 / 3.6}, {"mph", 0.44704}, {"kt", 1852.0 / 3600}}}
	mass        = measure{"a mass", []unit{{"kg", 1}, {"lb", 0.45359237}}}
	duration    = measure{"a time", []unit{{"s", 1}, {"ms", 0.001}, {"min", 60}}}
	share       = measure{"a share", []unit{{"%", 0.01}}}
	angle       = measure{"an angle", []unit{{"deg", math.Pi / 180}}}
	voltage     = measure{"a voltage", []unit{{"V", 1}, {"mV", 0.001}}}
	temperature = measure{"a temperature", []unit{{"degC", 1}}}
	current     = measure{"a current", []unit{{"A", 1}}}
	turning     = measure{"a rotor's speed", []unit{{"rpm", 1.0 / 60}}}
	force       = measure{"a force", []unit{{"N", 1}, {"kN", 1000}, {"lbf", 4.4482216152605}}}
)

func (m measure) accepted() string {
	names := make([]string, len(m.units))
	for i, u := range m.units {
		names[i] = u.name
	}
	return strings.Join(names, ", ")
}

// words are what is left of a line.
type words struct{ rest []string }

func (w *words) next() string {
	if len(w.rest) == 0 {
		return ""
	}
	first := w.rest[0]
	w.rest = w.rest[1:]
	return first
}

// take takes the word when it comes next.
func (w *words) take(word string) bool {
	if len(w.rest) > 0 && w.rest[0] == word {
		w.rest = w.rest[1:]
		return true
	}
	return false
}

// word demands the word.
func (w *words) word(word string) error {
	if got := w.next(); got != word {
		return fmt.Errorf("expected %q (got %q)", word, got)
	}
	return nil
}

// done demands that nothing is left.
func (w *words) done() error {
	if len(w.rest) > 0 {
		return fmt.Errorf("nothing more was expected here (got %q)", strings.Join(w.rest, " "))
	}
	return nil
}

// quantity reads a number and a unit apart from it.
func (w *words) quantity(m measure, into *float64) error {
	number, name := w.next(), w.next()
	v, err := strconv.ParseFloat(number, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) || strings.ContainsAny(number, "xX_") {
		return fmt.Errorf("expected %s such as %q (got %q)", m.name, "2.5 "+m.units[0].name, strings.TrimSpace(number+" "+name))
	}
	for _, u := range m.units {
		if u.name == name {
			*into = v * u.factor
			return nil
		}
	}
	return fmt.Errorf("expected %s in %s, with a space before the unit (got %q)", m.name, m.accepted(), strings.TrimSpace(number+" "+name))
}

func (w *words) count(into *int) error {
	word := w.next()
	n, err := strconv.Atoi(word)
	if err != nil {
		return fmt.Errorf("expected a whole number (got %q)", word)
	}
	*into = n
	return nil
}

// firstOf is the first error of several readings; after one has failed the
// rest make no sense.
func firstOf(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// readAct reads what happens.
func readAct(w *words, e *Event, line string) error {
	head := w.next()
	simple := func(a Act) error { e.Act = a; return nil }
	switch head {
	case "arm":
		return simple(Arm)
	case "disarm":
		return simple(Disarm)
	case "hold":
		return simple(Hold)
	case "land":
		return simple(LandNow)
	case "end":
		return simple(End)
	case "output":
		e.Act = OutputTo
		return w.quantity(share, &e.Value)
	case "hang":
		e.Act = Hang
		return w.quantity(mass, &e.Value)
	case "climb":
		e.Act = ClimbTo
		return firstOf(w.word("to"), w.quantity(length, &e.Value))
	case "gust":
		e.Act = Gust
		var s float64
		err := firstOf(w.quantity(speed, &e.Value), w.word("for"), w.quantity(duration, &s))
		e.For = seconds(s)
		return err
	case "wind":
		e.Act = MeanWind
		return w.quantity(speed, &e.Value)
	case "power":
		if w.take("on") {
			return simple(PowerOn)
		}
		e.Act = PowerOff
		return w.word("off")
	case "pad":
		e.Act, e.Text = PadAct, strings.Join(w.rest, " ")
		if len(w.rest) == 0 {
			return errors.New(`pad needs what happens there, such as "pad press estop"`)
		}
		w.rest = nil
		return nil
	case "clear":
		e.Act = ClearFaults
		return w.word("faults")
	case "say":
		e.Act, e.Number = Say, sevInfo
		from, to := strings.Index(line, `"`), strings.LastIndex(line, `"`)
		if from < 0 || to <= from || to != len(line)-1 {
			return fmt.Errorf(`say needs a text in quotes at the end of the line (got %q)`, line)
		}
		w.rest = nil
		e.Text = line[from+1 : to]
		return nil
	case "fault":
		return readFault(w, e)
	}
	return fmt.Errorf("no such act (got %q); known are arm, disarm, output, hang, climb, hold, land, gust, wind, power, say, pad, fault, clear faults, end", head)
}

func readFault(w *words, e *Event) error {
	until := func() error {
		if len(w.rest) == 0 {
			return nil
		}
		var s float64
		err := firstOf(w.word("for"), w.quantity(duration, &s))
		e.For = seconds(s)
		return err
	}
	switch head := w.next(); head {
	case "runaway":
		e.Act, e.Value = Runaway, 1
		if w.take("to") {
			return w.quantity(share, &e.Value)
		}
		return nil
	case "motor":
		e.Act = MotorLoss
		return firstOf(w.count(&e.Number), w.word("loses"), w.quantity(share, &e.Value))
	case "tumble":
		e.Act = Tumble
		return nil
	case "telemetry":
		switch how := w.next(); how {
		case "stops":
			e.Act = TelemetryOff
			return until()
		case "lags":
			e.Act = TelemetryLag
			return w.quantity(duration, &e.Value)
		case "loses":
			e.Act = TelemetryDrop
			return w.quantity(share, &e.Value)
		default:
			return fmt.Errorf("telemetry stops, lags or loses (got %q)", how)
		}
	case "reboot":
		e.Act = Reboot
		return until()
	case "cell":
		e.Act = CellSag
		return firstOf(w.count(&e.Number), w.word("sags"), w.quantity(voltage, &e.Value))
	case "height":
		if w.take("jumps") {
			e.Act = HeightStep
			return w.quantity(length, &e.Value)
		}
		if w.take("turns") {
			e.Act = HeightTurns
			return nil
		}
		e.Act = HeightDrift
		return firstOf(w.word("drifts"), w.quantity(speed, &e.Value))
	case "place":
		e.Act = PlaceDrift
		return firstOf(w.word("drifts"), w.quantity(speed, &e.Value))
	case "home":
		e.Act = HomeMove
		return firstOf(w.word("moves"), w.quantity(length, &e.Value))
	case "estimator":
		e.Act = Estimator
		return nil
	case "attitude":
		e.Act = Freeze
		return w.word("freezes")
	case "anemometer":
		e.Act = CupsStick
		return w.word("stops")
	case "load":
		if err := w.word("cell"); err != nil {
			return err
		}
		if w.take("reads") {
			e.Act = CellOff
			return firstOf(w.quantity(force, &e.Value), w.word("off"))
		}
		e.Act = CellSticks
		return w.word("sticks")
	case "tether":
		if w.take("is") {
			e.Act = TetherIs
			return w.quantity(length, &e.Value)
		}
		e.Act = TetherParts
		return w.word("parts")
	case "pack":
		e.Act = PackSag
		return firstOf(w.word("sags"), w.quantity(voltage, &e.Value))
	case "propeller":
		e.Act = Flutters
		return firstOf(w.word("flutters"), w.word("from"), w.quantity(turning, &e.Value))
	case "supply":
		e.Act = GivesWay
		return firstOf(w.word("gives"), w.word("way"), w.word("from"), w.quantity(current, &e.Value))
	case "output":
		e.Act = OutputLimit
		return firstOf(w.word("stays"), w.word("below"), w.quantity(share, &e.Value))
	default:
		return fmt.Errorf("no such fault (got %q); known are runaway, motor, tumble, telemetry, reboot, cell, height, place, home, estimator, attitude, anemometer, load cell, tether, pack, output, propeller, supply", head)
	}
}
