package craftmodel

import (
	"errors"
	"fmt"
	"slices"
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

// ParseScenario reads a scenario. One line is one sentence; # starts a comment; empty lines
// mean nothing. First the settings, each at most once:
//
//	title TEXT
//	seed 7
//	wind 4 m/s from 250 deg
//
// and the others of settings; then what happens, in order of time, the last line being the end:
//
//	at 3 s arm
//	at 10 s say "ballast is on"
//	at 10 s pad press estop     what happens at the pad, for who plays it
//	at 12 s fault motor 3 loses 40 %
//	at 60 s end
//
// and the others of happenings.
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
	w := words(strings.Fields(line))
	head := w[0]
	if head == "at" {
		return p.happening(w[1:], line)
	}
	if p.timed {
		return fmt.Errorf(`settings come before the first "at" line (got %q)`, line)
	}
	if before, ok := p.seen[head]; ok {
		return fmt.Errorf("%s is already set on line %d; keep one of them", head, before)
	}
	rest := strings.TrimSpace(strings.TrimPrefix(line, head))
	switch head {
	case "title":
		if p.scenario.Title = rest; rest == "" {
			return errors.New("title needs a text")
		}
	case "seed":
		n, err := strconv.ParseUint(rest, 10, 64)
		if err != nil {
			return fmt.Errorf("seed must be a whole number of zero or more (got %q)", rest)
		}
		p.scenario.set = append(p.scenario.set, func(c *Config) { c.Seed = n })
	case "expect":
		p.scenario.Expect = strings.Join(w[1:], " ")
		if !slices.Contains([]string{"stop", "lowering", "none", "no start"}, p.scenario.Expect) {
			return fmt.Errorf("expect stop, lowering, none or no start (got %q)", p.scenario.Expect)
		}
	default:
		f, got, err := fitting("setting", settings, w, "title", "seed", "expect", "at")
		if err != nil {
			return err
		}
		if head == "from" {
			p.scenario.From = w[1]
		} else {
			p.scenario.set = append(p.scenario.set, func(c *Config) { f.set(c, got) })
		}
	}
	p.seen[head] = p.line
	return nil
}

// happening reads one timed line behind its "at".
func (p *parser) happening(w words, line string) error {
	p.timed = true
	at, err := w.quantity(rules.Duration)
	if err != nil {
		return err
	}
	e := Event{At: seconds(at)}
	if err := readAct(w, &e, line); err != nil {
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
