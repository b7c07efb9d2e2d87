package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"

	"downhaul/interlock/before/hazard"
	"downhaul/interlock/day/telemetry/link"
	"downhaul/interlock/model/craftmodel"
	"downhaul/rules"
	"downhaul/rules/rounding"
)

// craftTold is what the crew told.
type craftTold struct {
	units                          string // "metric" or "imperial"
	name                           string
	duty                           string // "watch", "table" or "guard"
	link                           link.Config
	heard                          *heardCraft // nil when nothing was heard yet
	motors, cells                  int
	mass, thrust, tether, breaking rules.Quantity
}

// unit is the reader's own for a kind.
func (a *craftTold) unit(k rules.Kind) string { return rules.DefaultUnit(k, a.units) }

// in returns the text in the reader's own units.
func (a *craftTold) in(metric, imperial string) string {
	if a.units == "imperial" {
		return imperial
	}
	return metric
}

// askAll puts the questions. What was heard of the craft fills in later defaults.
func askAll(ctx context.Context, q *asker) (*craftTold, error) {
	a := &craftTold{}
	var err error
	ask := func(question, byDefault string, accept func(string) error) {
		if err == nil {
			err = q.ask(question, byDefault, accept)
		}
	}
	ask("Metric or imperial?", "metric", oneOf(&a.units, map[string]string{"m": "metric", "si": "metric", "kg": "metric", "i": "imperial", "us": "imperial", "lb": "imperial", "ft": "imperial"}, "metric", "imperial"))
	ask("What is the craft called?", "my craft", func(text string) error {
		if len(text) > 60 || strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsPrint(r) }) {
			return errors.New("write up to 60 plain characters")
		}
		a.name = text
		return nil
	})
	ask("What is this pad to do? watch: listen, judge and make noise, without any relay. table: guard a virtual board, to rehearse at a table. guard: guard a real relay.",
		"watch", oneOf(&a.duty, map[string]string{"w": "watch", "t": "table", "g": "guard"}, "watch", "table", "guard"))
	ask("Where does the telemetry come in? (udp://, tcp:// or serial://)", "udp://0.0.0.0:40123", func(text string) (err error) {
		a.link, err = parseLink(text)
		return err
	})
	ask("What was heard of the craft? Name a recording or what listen --json printed, or write now to listen to that link for 10 s.", "nothing yet", func(text string) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		a.heard, err = hearCraft(ctx, text, a.link)
		if a.heard != nil {
			wrap(q.out, "    ", "    ", a.heard.says())
		}
		return err
	})
	ask("Mass of the craft, ready to fly, without ballast?", a.in("30 kg", "66 lb"), quantity(rules.Mass, 0.1, 5000, a.in("30 kg", "66 lb"), &a.mass))
	motors, cells := 8, 12
	if h := a.heard; h != nil {
		if h.motors > 0 {
			motors = h.motors
		}
		if h.cells > 0 {
			cells = h.cells
		}
	}
	ask("How many motors?", strconv.Itoa(motors), count(1, craftmodel.MostMotors, "", &a.motors))
	if err == nil && a.motors < craftmodel.LeastMotors {
		wrap(q.out, "    ", "    ", fmt.Sprintf("The guard watches it like any other; rehearse cannot fly it: its model has %d motors or more.", craftmodel.LeastMotors))
	}
	weight := hazard.Gravity * a.mass.SI
	ask("Full thrust of all motors together? (The default is twice the weight.)", nice(2*weight, a.unit(rules.Force), 0, math.Inf(1)), func(text string) error {
		if err := quantity(rules.Force, 1, 1e6, a.in("600 N", "130 lbf"), &a.thrust)(text); err != nil {
			return err
		}
		if a.thrust.SI <= weight {
			return fmt.Errorf("that lifts nothing: the craft weighs %s", rounding.Show(weight, a.thrust.Unit, 3, rounding.Up))
		}
		return nil
	})
	ask("Cells in series in the pack?", strconv.Itoa(cells), count(1, 28, "s", &a.cells))
	ask("Length of the tether?", a.usualTether(), func(text string) error {
		if err := quantity(rules.Length, 0.5, 500, a.in("9 m", "30 ft"), &a.tether)(text); err != nil {
			return err
		}
		if _, ok := a.ceiling(); !ok {
			return fmt.Errorf("too short: with %.2g times the weight in thrust a runaway from the pad tops out at %s before it is stopped, and a ceiling under %s of tether leaves nothing to hover. It takes a tether of %s or more, or less thrust (outputs that are limited)",
				a.ratio(), rounding.Show(a.standing(a.errors()[1]), a.tether.Unit, 2, rounding.Up), a.tether.Text, a.leastTether(a.tether.Unit))
		}
		return nil
	})
	ask("Breaking strength of the tether? (The default is what this craft asks for.)", a.usualRope(), quantity(rules.Force, 10, 1e7, a.in("22 kN", "5000 lbf"), &a.breaking))
	return a, err
}

// oneOf accepts one of the words, in capitals too, and other ways to say them.
func oneOf(into *string, other map[string]string, words ...string) func(string) error {
	return func(text string) error {
		word := strings.ToLower(text)
		if w, ok := other[word]; ok {
			word = w
		}
		for _, w := range words {
			if word == w {
				*into = w
				return nil
			}
		}
		return fmt.Errorf("write %s (got %q)", strings.Join(words[:len(words)-1], ", ")+" or "+words[len(words)-1], text)
	}
}

// quantity accepts a quantity of the kind from low to high (SI); such is one that
// is written as it is wanted.
func quantity(k rules.Kind, low, high float64, such string, into *rules.Quantity) func(string) error {
	return func(text string) error {
		q, err := rules.ParseQuantity(text, k)
		if _, bare := strconv.ParseFloat(text, 64); bare == nil {
			_, unit, _ := strings.Cut(such, " ")
			return fmt.Errorf("%s of what? Write the unit with it: %s %s", text, text, unit)
		}
		if err != nil {
			return fmt.Errorf("%w; such as %s", err, such)
		}
		if q.SI < low || q.SI > high {
			return fmt.Errorf("want from %s to %s (got %q)", rules.Format(low, q.Unit), rules.Format(high, q.Unit), text)
		}
		*into = q
		return nil
	}
}

// count accepts a whole number; the trade writes some with a letter behind ("12S").
func count(low, high int, letter string, into *int) func(string) error {
	return func(text string) error {
		number := text
		if letter != "" {
			number = strings.TrimSpace(strings.TrimSuffix(strings.ToLower(text), letter))
		}
		n, err := strconv.Atoi(number)
		if err != nil || n < low || n > high {
			return fmt.Errorf("want a whole number from %d to %d (got %q)", low, high, text)
		}
		*into = n
		return nil
	}
}
