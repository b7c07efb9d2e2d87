package craftmodel

import (
	"cmp"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"downhaul/rules"
)

// Scenario is a script for one session: what the day is like, and what happens
// when. See ParseScenario for its text.
type Scenario struct {
	Title  string
	End    time.Duration // when it is over
	Expect string        // what should come of it, for who flies it; empty: nothing is said
	// From is where its time begins where a guard flies it: "start" is the press of that
	// button, "hover" a hover that the crew has flown by then; empty is power on the rotors.
	From   string
	Events []Event // in order of time
	set    []func(*Config)
}

// Configure is base with the scenario's day, craft settings and events.
func (s *Scenario) Configure(base Config) Config {
	for _, f := range s.set {
		f(&base)
	}
	base.Events = append([]Event(nil), s.Events...)
	return base
}

// ParseScenario reads a scenario. One line is one sentence; # starts a
// comment; empty lines mean nothing. First the settings, each at most once:
//
//	title TEXT
//	seed 7
//	ballast 12 kg
//	wind 4 m/s from 250 deg
//	turbulence 100 %            of the published intensity; or: turbulence none
//	charge 95 %
//	tether 9 m                  or: tether none
//	elevation 120 m
//	temperature 14 degC
//	unpowered                   starts with the contactor open
//	expect stop                 or: expect lowering, expect none, expect no start
//	from start                  where a guard flies it: time begins with the press of start
//	from hover                  or in a hover; else with power on the rotors
//
// then what happens, in order of time, the last line being the end:
//
//	at 3 s arm                          at 3 s disarm
//	at 5 s climb to 2.5 m               at 9 s hold
//	at 30 s land                        at 60 s end
//	at 20 s gust 9 m/s for 4 s          at 20 s wind 6 m/s
//	at 25 s power off                   at 26 s power on
//	at 10 s say "ballast is on"
//	at 10 s pad press estop     what happens at the pad, for who plays it
//	at 12 s fault runaway               or: fault runaway to 80 %
//	at 12 s fault motor 3 loses 40 %
//	at 12 s fault tumble
//	at 12 s fault telemetry stops       or: ... stops for 5 s
//	at 12 s fault telemetry lags 800 ms
//	at 12 s fault telemetry loses 20 %
//	at 12 s fault reboot                or: fault reboot for 6 s
//	at 12 s fault cell 5 sags 0.4 V
//	at 12 s fault height drifts -0.3 m/s
//	at 12 s fault height jumps 2 m
//	at 12 s fault place drifts 0.5 m/s
//	at 12 s fault home moves 2 m
//	at 12 s fault estimator
//	at 12 s fault attitude freezes
//	at 12 s fault anemometer stops
//	at 12 s fault load cell sticks
//	at 12 s fault load cell reads 400 N off
//	at 12 s fault tether parts
//	at 12 s fault tether is 2 m         snagged, or slipped where it is longer
//	at 12 s fault pack sags 0.5 V       every cell
//	at 12 s fault output stays below 60 %
//	at 12 s fault height turns          told with the wrong sign
//	at 15 s clear faults
//
// and, with one motor on a thrust stand:
//
//	at 2 s hang 2 kg            where the motor pulls; hang 0 kg takes it off
//	at 9 s output 40 %
//	at 12 s fault propeller flutters from 6000 rpm
//	at 12 s fault supply gives way from 20 A
//
// All faults of the text are returned together, each as file:line: what is
// wrong.
func ParseScenario(file, text string) (*Scenario, error) {
	p := parser{scenario: &Scenario{}, seen: map[string]int{}}
	for i, line := range strings.Split(text, "\n") {
		p.line = i + 1
		line = strings.TrimSuffix(line, "\r")
		line = strings.TrimSpace(withoutComment(line))
		if line == "" {
			continue
		}
		if err := p.sentence(line); err != nil {
			p.faults = append(p.faults, fmt.Errorf("%s:%d: %w", file, p.line, err))
		}
	}
	if p.scenario.End == 0 && len(p.faults) == 0 {
		p.faults = append(p.faults, fmt.Errorf(`%s:%d: the scenario never ends; add a last line such as "at 60 s end"`, file, p.line))
	}
	if len(p.faults) > 0 {
		return nil, errors.Join(p.faults...)
	}
	return p.scenario, nil
}

// withoutComment cuts the line at the first # that is not inside quotes.
func withoutComment(line string) string {
	quoted := false
	for i := range len(line) {
		switch line[i] {
		case '"':
			quoted = !quoted
		case '#':
			if !quoted {
				return line[:i]
			}
		}
	}
	return line
}

type parser struct {
	line     int
	scenario *Scenario
	seen     map[string]int // setting to line; never walked
	last     time.Duration
	timed    bool
	faults   []error
}

func (p *parser) sentence(line string) error {
	w := words{rest: strings.Fields(line)}
	head := w.next()
	if head == "at" {
		return p.happening(&w, line)
	}
	if p.timed {
		return fmt.Errorf(`settings come before the first "at" line (got %q)`, line)
	}
	if before, ok := p.seen[head]; ok {
		return fmt.Errorf("%s is already set on line %d; keep one of them", head, before)
	}
	f, err := setting(head, &w, line)
	if err == nil {
		err = w.done()
	}
	if err != nil {
		return err
	}
	p.seen[head] = p.line
	switch rest := strings.TrimSpace(strings.TrimPrefix(line, head)); head {
	case "title":
		p.scenario.Title = rest
		return nil
	case "expect":
		p.scenario.Expect = rest
		return nil
	case "from":
		p.scenario.From = rest
		return nil
	}
	p.scenario.set = append(p.scenario.set, f)
	return nil
}

// setting reads one setting; the head is taken already.
func setting(head string, w *words, line string) (func(*Config), error) {
	var v float64
	switch head {
	case "title":
		if len(w.rest) == 0 {
			return nil, errors.New("title needs a text")
		}
		w.rest = nil
		return nil, nil
	case "expect":
		switch got := strings.Join(w.rest, " "); got {
		case "stop", "lowering", "none", "no start":
			w.rest = nil
			return nil, nil
		default:
			return nil, fmt.Errorf("expect stop, lowering, none or no start (got %q)", got)
		}
	case "from":
		if w.take("hover") {
			return nil, nil
		}
		return nil, w.word("start")
	case "seed":
		word := w.next()
		n, err := strconv.ParseUint(word, 10, 64)
		if err != nil {
			return nil, fmt.Errorf("seed must be a whole number of zero or more (got %q)", word)
		}
		return func(c *Config) { c.Seed = n }, nil
	case "ballast":
		err := w.quantity(rules.Mass, &v)
		return func(c *Config) { c.Ballast = v }, err
	case "wind":
		if err := w.quantity(rules.Speed, &v); err != nil {
			return nil, err
		}
		if len(w.rest) == 0 {
			return func(c *Config) { c.Wind = v }, nil
		}
		var from float64
		err := cmp.Or(w.word("from"), w.quantity(rules.Angle, &from))
		return func(c *Config) { c.Wind, c.WindFrom = v, from }, err
	case "turbulence":
		if w.take("none") {
			return func(c *Config) { c.Turbulence = 0 }, nil
		}
		err := w.quantity(rules.Ratio, &v)
		return func(c *Config) { c.Turbulence = v }, err
	case "charge":
		err := w.quantity(rules.Ratio, &v)
		return func(c *Config) { c.Charge = v }, err
	case "tether":
		if w.take("none") {
			return func(c *Config) { c.TetherLength = 0 }, nil
		}
		err := w.quantity(rules.Length, &v)
		return func(c *Config) { c.TetherLength = v }, err
	case "elevation":
		err := w.quantity(rules.Length, &v)
		return func(c *Config) { c.Elevation = v }, err
	case "temperature":
		err := w.quantity(rules.Temperature, &v)
		return func(c *Config) { c.Celsius = v }, err
	case "unpowered":
		return func(c *Config) { c.Unpowered = true }, nil
	}
	return nil, fmt.Errorf(`no such setting (got %q); a line starts with "at" or with title, seed, ballast, wind, turbulence, charge, tether, elevation, temperature, unpowered, expect or from`, head)
}

// happening reads one timed line; "at" is taken already.
func (p *parser) happening(w *words, line string) error {
	p.timed = true
	var at float64
	if err := w.quantity(rules.Duration, &at); err != nil {
		return err
	}
	e := Event{At: seconds(at)}
	if err := readAct(w, &e, line); err != nil {
		return err
	}
	if err := w.done(); err != nil {
		return err
	}
	if e.At < p.last {
		return fmt.Errorf("lines must be in order of time (got %v after %v)", e.At, p.last)
	}
	if p.scenario.End > 0 {
		return errors.New(`nothing may follow the "end" line`)
	}
	ours := EightTwo()
	ours.Lever = 1 // whether it is a stand shows when it happens
	if err := e.check(&ours); err != nil {
		return err
	}
	p.last = e.At
	if e.Act == End {
		if e.At == 0 {
			return errors.New("the end must come after the start (got 0 s)")
		}
		p.scenario.End = e.At
	}
	p.scenario.Events = append(p.scenario.Events, e)
	return nil
}

func seconds(s float64) time.Duration { return time.Duration(s*1e9 + 0.5) }
