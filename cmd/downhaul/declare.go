package main

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"downhaul/interlock/day/answers"
	"downhaul/interlock/records/session"
)

type declareCmd struct {
	guardAt

	List       declareListCmd       `cmd:"" default:"1" help:"Show what can be declared now, numbered, and take it by number."`
	Step       declareStepCmd       `cmd:"" help:"The step of the test card that comes next."`
	Packs      declarePacksCmd      `cmd:"" help:"The packs that are fitted, by name."`
	Wind       declareWindCmd       `cmd:"" help:"A wind read by hand, such as \"6 mph\"; it lapses after 10 minutes."`
	Air        declareAirCmd        `cmd:"" help:"The air at the pad, such as \"20 °C\" with the pressure there (\"985 hPa\") or the elevation (\"300 m\"): the lift forecast reckons with its density."`
	Stop       declareStopCmd       `cmd:"" help:"How long the rotors took at the last opening, read off a watch or a film; half a second more counts."`
	Inspection declareInspectionCmd `cmd:"" help:"The value of an inspection, or pass or fail of a ground step."`
	Confirm    declareConfirmCmd    `cmd:"" help:"One more person's initials to the declared step, where the card asks for them (confirmed_by)."`
	Ballast    declareBallastCmd    `cmd:"" help:"The ballast of the declared step, as it was weighed."`
	Safe       declareSafeCmd       `cmd:"" help:"The craft is safe: packs out, and by whom. At the end of the day, and after power went off in the air."`
}

func (declareCmd) Help() string {
	return "Tells the running guard what only the crew knows, before a start. It goes on record with the local user who did it. " +
		"With a test card a start wants the step declared, and what the card asks before it in force. It starts and resets nothing."
}

type declareStepCmd struct {
	Name []string `arg:"" help:"The step's name."`
}

func (c *declareStepCmd) Run(g *declareCmd, s *streams) error {
	return g.declare(s, session.Declaration{What: session.DeclaredStep, Step: strings.Join(c.Name, " ")})
}

type declarePacksCmd struct {
	Names []string `arg:"" name:"name" help:"The packs' names."`
}

func (c *declarePacksCmd) Run(g *declareCmd, s *streams) error {
	return g.declare(s, session.Declaration{What: session.DeclaredPacks, Packs: c.Names})
}

type declareWindCmd struct {
	Speed []string `arg:"" help:"The speed with its unit."`
}

func (c *declareWindCmd) Run(g *declareCmd, s *streams) error {
	return g.declare(s, session.Declaration{What: session.DeclaredWind, Value: strings.Join(c.Speed, " ")})
}

type declareAirCmd struct {
	Temperature string `arg:"" help:"Of the air, with its unit."`
	Where       string `arg:"" name:"pressure-or-elevation" help:"The pressure at the pad, not reduced to sea level, or the pad's elevation."`
}

func (c *declareAirCmd) Run(g *declareCmd, s *streams) error {
	return g.declare(s, session.Declaration{What: session.DeclaredAir, Value: c.Temperature + ", " + c.Where})
}

type declareStopCmd struct {
	Time     string `arg:"" help:"From the opening until the last rotor stood, such as \"2.4 s\"."`
	Initials string `arg:"" help:"Who read it."`
}

func (c *declareStopCmd) Run(g *declareCmd, s *streams) error {
	return g.declare(s, session.Declaration{What: session.DeclaredStop, Value: c.Time, Initials: c.Initials})
}

type declareInspectionCmd struct {
	Name     string `arg:"" help:"The inspection's name, in quotes where it has spaces."`
	Value    string `arg:"" help:"The value with its unit, in quotes, or pass or fail."`
	Initials string `arg:"" help:"Who looked."`
}

func (c *declareInspectionCmd) Run(g *declareCmd, s *streams) error {
	return g.declare(s, session.Declaration{What: session.DeclaredInspection, Step: c.Name, Value: c.Value, Initials: c.Initials})
}

type declareConfirmCmd struct {
	Initials string `arg:"" help:"Whose."`
}

func (c *declareConfirmCmd) Run(g *declareCmd, s *streams) error {
	return g.declare(s, session.Declaration{What: session.DeclaredConfirm, Initials: c.Initials})
}

type declareBallastCmd struct {
	Mass     string `arg:"" help:"What the scale showed, with its unit, in quotes."`
	Initials string `arg:"" help:"Who weighed it."`
}

func (c *declareBallastCmd) Run(g *declareCmd, s *streams) error {
	return g.declare(s, session.Declaration{What: session.DeclaredBallast, Value: c.Mass, Initials: c.Initials})
}

type declareSafeCmd struct {
	Initials    string `arg:"" help:"Who took the packs out."`
	Temperature string `arg:"" optional:"" help:"Of the warmest pack, with its unit: wanted after power went off in the air."`
}

func (c *declareSafeCmd) Run(g *declareCmd, s *streams) error {
	return g.declare(s, session.Declaration{What: session.DeclaredSafe, Initials: c.Initials, Value: c.Temperature})
}

// declare sends a declaration and prints what is then still asked.
func (g *guardAt) declare(s *streams, d session.Declaration) error {
	took, err := g.send(s, d)
	if err != nil {
		return fmt.Errorf("declare: %w", err)
	}
	printDeclared(s.out, took)
	return nil
}

// send sends a declaration and prints what it came to.
func (g *guardAt) send(s *streams, d session.Declaration) (*answers.Declared, error) {
	reply, err := g.ask(answers.Request{Do: "declare", Declare: &d})
	if err != nil {
		return nil, err
	}
	if reply.Declared == nil {
		return nil, errors.New("the guard answered without what it took; are tool and guard of one version?")
	}
	wrap(s.out, "On record: ", "  ", reply.Declared.Says+".")
	return reply.Declared, nil
}

// printDeclared is what was declared, what the card still asks, and what only
// the crew can see to.
func printDeclared(w io.Writer, d *answers.Declared) {
	if d.Card == "" {
		fmt.Fprintln(w, "No test card is used.")
	} else {
		step := d.Step
		if step == "" {
			step = "none declared"
		}
		wrap(w, "", "  ", fmt.Sprintf("Test card: %s. Step: %s", d.Card, step))
	}
	if len(d.Packs) > 0 {
		wrap(w, "", "  ", "Packs: "+strings.Join(d.Packs, ", "))
	}
	if d.Wind != nil {
		wrap(w, "", "  ", fmt.Sprintf("Wind by hand: %s, %s ago: %s; it watches nothing and lapses in %s",
			d.Wind.Text, short(d.Wind.AgeS), d.Wind.Says, short(d.Wind.LeftS)))
	}
	if d.Air != "" {
		wrap(w, "", "  ", fmt.Sprintf("Air: %s: declared, not measured; lift is reckoned for it from the next flight on", d.Air))
	}
	list(w, "Before a start the card asks", d.Asks)
	list(w, "For the crew to see to; no guard can", d.Conditions)
}
