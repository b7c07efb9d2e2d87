package craftmodel

import (
	"cmp"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"downhaul/rules"
)

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
func (w *words) quantity(kind rules.Kind, into *float64) error {
	number, name := w.next(), w.next()
	q, err := rules.ParseQuantity(number+" "+name, kind)
	*into = q.SI
	return err
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
		return w.quantity(rules.Ratio, &e.Value)
	case "hang":
		e.Act = Hang
		return w.quantity(rules.Mass, &e.Value)
	case "climb":
		e.Act = ClimbTo
		return cmp.Or(w.word("to"), w.quantity(rules.Length, &e.Value))
	case "gust":
		e.Act = Gust
		var s float64
		err := cmp.Or(w.quantity(rules.Speed, &e.Value), w.word("for"), w.quantity(rules.Duration, &s))
		e.For = seconds(s)
		return err
	case "wind":
		e.Act = MeanWind
		return w.quantity(rules.Speed, &e.Value)
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
		err := cmp.Or(w.word("for"), w.quantity(rules.Duration, &s))
		e.For = seconds(s)
		return err
	}
	switch head := w.next(); head {
	case "runaway":
		e.Act, e.Value = Runaway, 1
		if w.take("to") {
			return w.quantity(rules.Ratio, &e.Value)
		}
		return nil
	case "motor":
		e.Act = MotorLoss
		return cmp.Or(w.count(&e.Number), w.word("loses"), w.quantity(rules.Ratio, &e.Value))
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
			return w.quantity(rules.Duration, &e.Value)
		case "loses":
			e.Act = TelemetryDrop
			return w.quantity(rules.Ratio, &e.Value)
		default:
			return fmt.Errorf("telemetry stops, lags or loses (got %q)", how)
		}
	case "reboot":
		e.Act = Reboot
		return until()
	case "cell":
		e.Act = CellSag
		return cmp.Or(w.count(&e.Number), w.word("sags"), w.quantity(rules.Voltage, &e.Value))
	case "height":
		if w.take("jumps") {
			e.Act = HeightStep
			return w.quantity(rules.Length, &e.Value)
		}
		if w.take("turns") {
			e.Act = HeightTurns
			return nil
		}
		e.Act = HeightDrift
		return cmp.Or(w.word("drifts"), w.quantity(rules.Speed, &e.Value))
	case "place":
		e.Act = PlaceDrift
		return cmp.Or(w.word("drifts"), w.quantity(rules.Speed, &e.Value))
	case "home":
		e.Act = HomeMove
		return cmp.Or(w.word("moves"), w.quantity(rules.Length, &e.Value))
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
			return cmp.Or(w.quantity(rules.Force, &e.Value), w.word("off"))
		}
		e.Act = CellSticks
		return w.word("sticks")
	case "tether":
		if w.take("is") {
			e.Act = TetherIs
			return w.quantity(rules.Length, &e.Value)
		}
		e.Act = TetherParts
		return w.word("parts")
	case "pack":
		e.Act = PackSag
		return cmp.Or(w.word("sags"), w.quantity(rules.Voltage, &e.Value))
	case "propeller":
		e.Act = Flutters
		return cmp.Or(w.word("flutters"), w.word("from"), w.quantity(rules.Frequency, &e.Value))
	case "supply":
		e.Act = GivesWay
		return cmp.Or(w.word("gives"), w.word("way"), w.word("from"), w.quantity(rules.Current, &e.Value))
	case "output":
		e.Act = OutputLimit
		return cmp.Or(w.word("stays"), w.word("below"), w.quantity(rules.Ratio, &e.Value))
	default:
		return fmt.Errorf("no such fault (got %q); known are runaway, motor, tumble, telemetry, reboot, cell, height, place, home, estimator, attitude, anemometer, load cell, tether, pack, output, propeller, supply", head)
	}
}
