package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"downhaul/interlock/after/standrun"
	"downhaul/rules"
)

type thrustRunCmd struct {
	guardAt
	standWords
	Hung      string        `placeholder:"MASS" xor:"lever" help:"Lever by a known mass that hangs where the motor pulls, such as \"2 kg\": the surest."`
	HungDoubt string        `default:"5 g" placeholder:"MASS" help:"How far that mass may be off (${default})."`
	Arms      string        `placeholder:"A,B" xor:"lever" help:"Lever by its arms: pivot to motor, pivot to scale, such as \"300 mm, 150 mm\"."`
	ArmDoubt  string        `default:"2 mm" placeholder:"LENGTH" help:"How far each arm may be off (${default})."`
	Angle     string        `default:"0 deg, 5 deg" placeholder:"A,B" help:"How far the scale's line is off a right angle to its arm, and how far that may be off (${default})."`
	Direct    string        `placeholder:"SHARE" xor:"lever" help:"The pad's load cell was calibrated with loads hung where the motor pulls, and may be off by so much, such as \"2 %\"."`
	Outputs   string        `default:"15,25,35,45,55,65,75,85,95,100" placeholder:"LIST" help:"The outputs to hold on the way up, in % (${default}); every other one again on the way down."`
	Hold      time.Duration `default:"4s" placeholder:"TIME" help:"How long an output is held once nothing moves (${default})."`
	Typed     bool          `help:"No telemetry tells output and current: they are typed at each output."`
	JSON      bool          `help:"Print one JSON object; the questions go to standard error."`
}

func (thrustRunCmd) Help() string {
	return "Leads through a run on the thrust stand, beside a running guard whose declared step is of kind \"stand\": tare with the propeller on and still, a known mass where the motor pulls, " +
		"each output held until nothing moves, up and down again, and the last tare. It starts nothing and sets no output: you do, at the pad and at the transmitter, and the guard watches the limits. " +
		"A row that beats momentum theory is refused at once, and a propeller that leaves its own law is told. What shakes faster than 40 times a second no load cell sees: listen, and stop. " +
		"A run that breaks off is kept and told as unfinished."
}

// The tool's own times.
const (
	standLooks    = 200 * time.Millisecond // between two looks at the guard
	tareFor       = 3 * time.Second
	standPatience = 20 * time.Second       // of a held output that does not get steady
	onDisk        = 500 * time.Millisecond // until a mark stands in the recording
)

func (c *thrustRunCmd) Run(ctx context.Context, s *streams) error {
	lever, outputs, err := c.plan()
	if err != nil {
		return fmt.Errorf("thrust: %w", err)
	}
	screen := s.out
	if c.JSON {
		screen = s.err
	}
	l := &standLead{cmd: c, ctx: ctx, out: screen, crew: newPeople(s.in, screen), lever: lever, outputs: outputs}
	broke := l.run()
	if l.folder == "" {
		return prefixed("thrust", "run", broke)
	}
	time.Sleep(onDisk) // the last mark is written like the rest
	out, err := tableOfStand(l.folder, c.Out, &c.standWords)
	if err != nil {
		return hint(errors.Join(broke, fmt.Errorf("thrust: there is no table yet: %w", err)), "what was recorded is kept: downhaul thrust session %s", l.folder)
	}
	if err := out.keep(c.Out); err != nil {
		return hint(fmt.Errorf("thrust: %w", err), "what was recorded is kept: downhaul thrust session %s", l.folder)
	}
	if broke != nil {
		broke = hint(fmt.Errorf("thrust: %w; what was taken is in %s, unfinished", broke, c.Out), "end the run at the pad first, if the motor still turns")
	}
	return s.conclude(out, c.JSON, broke, len(out.Table.Findings) > 0 || !out.Finished)
}

// plan reads what was asked for.
func (c *thrustRunCmd) plan() (lever standrun.Mark, outputs []float64, err error) {
	if c.Out == "" {
		return lever, nil, hint(errors.New("nothing says where the table goes"), "--out motor.csv names a new file")
	}
	if _, err := os.Lstat(c.Out); err == nil {
		return lever, nil, hint(fmt.Errorf("%s is there already, and nothing is overwritten", c.Out), "name a new file")
	}
	if c.Hold < 2*time.Second || c.Hold > 30*time.Second {
		return lever, nil, hint(fmt.Errorf("--hold must be from 2 s to 30 s (got %v)", c.Hold), "write a time such as 4s")
	}
	two := func(flag, text string) (a, b string, err error) {
		a, b, ok := strings.Cut(text, ",")
		if !ok {
			err = fmt.Errorf("--%s takes two values with a comma between them (got %q)", flag, text)
		}
		return strings.TrimSpace(a), strings.TrimSpace(b), err
	}
	var text string
	switch {
	case c.Hung != "":
		text = fmt.Sprintf("stand hung; hold 3 s; mass %s; doubt %s", c.Hung, c.HungDoubt)
	case c.Direct != "":
		text = "stand direct; doubt " + c.Direct
	case c.Arms != "":
		motor, scale, err := two("arms", c.Arms)
		if err != nil {
			return lever, nil, err
		}
		angle, unsure, err := two("angle", c.Angle)
		if err != nil {
			return lever, nil, err
		}
		text = fmt.Sprintf("stand arms; motor %s; scale %s; doubt %s; angle %s; angle_doubt %s", motor, scale, c.ArmDoubt, angle, unsure)
	default:
		return lever, nil, hint(errors.New("nothing tells the lever"), `--hung "2 kg" has you hang a known mass where the motor pulls; --arms and --direct are the other ways`)
	}
	if lever, _, err = standrun.ParseMark(text); err != nil {
		return lever, nil, fmt.Errorf("the lever: %w", err)
	}
	for _, word := range strings.Split(c.Outputs, ",") {
		q, err := rules.ParseQuantity(strings.TrimSuffix(strings.TrimSpace(word), "%")+" %", rules.Ratio)
		if err != nil || !(q.SI >= 0.05 && q.SI <= 1) || len(outputs) > 0 && q.SI <= outputs[len(outputs)-1] {
			return lever, nil, hint(fmt.Errorf("--outputs must rise from 5 to 100 (got %q)", c.Outputs), "write such as --outputs 20,40,60,80,100")
		}
		outputs = append(outputs, q.SI)
	}
	if len(outputs) < 3 {
		return lever, nil, hint(fmt.Errorf("--outputs names %d, and a law shows in three at the least", len(outputs)), "write such as --outputs 20,40,60,80,100")
	}
	for i := len(outputs) - 3; i >= 0; i -= 2 {
		outputs = append(outputs, outputs[i])
	}
	return lever, outputs, nil
}
