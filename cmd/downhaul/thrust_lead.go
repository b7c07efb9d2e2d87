package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"downhaul/interlock/after/standrun"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/answers/ask"
	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/model/air"
	"downhaul/rules"
	"downhaul/rules/card"
)

// standLead leads the crew through one run.
type standLead struct {
	cmd     *thrustRunCmd
	ctx     context.Context
	out     io.Writer
	crew    *people
	lever   standrun.Mark
	outputs []float64
	units   string  // of the card
	folder  string  // of the session, once marks stand in it
	rows    int     // that count so far
	last    float64 // output of the last
	watches bool    // the guard holds no relay
	seen    []standLook
}

// standLook is what the guard told at one time; NaN is not told.
type standLook struct {
	at                float64 // engine time, s
	output, pull, rpm float64
}

var errEnded = errors.New("the run ended before the last output")

func (l *standLead) run() error {
	s, err := l.look()
	if err != nil {
		return err
	}
	step, at, err := l.step(s)
	if err != nil {
		return err
	}
	l.cautions(step, at)
	if err := l.stamp(standrun.NewMark(standrun.Begin)); err != nil {
		return err
	}
	l.folder, l.watches = s.Folder, s.Duty == "watch"
	if err := l.zero(); err != nil {
		return err
	}
	if err := l.climb(step); err != nil {
		return err
	}
	l.crew.Say("Last tare: propeller on and still, nobody near. Nothing touches the stand.")
	if err := l.tare(); err != nil {
		return err
	}
	return l.stamp(standrun.NewMark(standrun.Done))
}

// look asks the guard, and keeps what it tells of the motor.
func (l *standLead) look() (*told.Status, error) {
	socket, err := l.cmd.socket()
	if err != nil {
		return nil, err
	}
	s, err := ask.Once(socket)
	if err != nil {
		return nil, hint(err, elsewhere)
	}
	now := standLook{at: s.At, output: math.NaN(), pull: math.NaN(), rpm: math.NaN()}
	for i := range s.Channels {
		c := &s.Channels[i]
		if c.Value == nil {
			continue
		}
		switch c.Channel {
		case rules.MotorHighest.String():
			now.output = *c.Value
		case rules.Tension.String():
			now.pull = *c.Value
		case rules.RotorSpeed.String():
			now.rpm = 60 * *c.Value
		}
	}
	if n := len(l.seen); n == 0 || now.at > l.seen[n-1].at {
		l.seen = append(l.seen, now)
	}
	return s, nil
}

// step is the declared step on the stand, read from the session.
func (l *standLead) step(s *told.Status) (*card.Step, card.Air, error) {
	if s.Declared.Step == "" {
		return nil, card.Air{}, hint(errors.New("no step is declared"), `declare the step of kind "stand" first: downhaul declare step NAME`)
	}
	r, err := standrun.Read(s.Folder)
	if err != nil {
		return nil, card.Air{}, err
	}
	if r.Step.Name != s.Declared.Step {
		return nil, card.Air{}, hint(fmt.Errorf("the declared step %q is not on the thrust stand", s.Declared.Step), "declare step %q", r.Step.Name)
	}
	l.units = r.Card.Units
	return r.Step, r.Air, nil
}

// in returns the unit of the crew's own system.
func (l *standLead) in(metric, imperial string) string {
	return pick(l.units == "imperial", imperial, metric)
}

func (l *standLead) cautions(step *card.Step, at card.Air) {
	celsius := 15.0
	if at.Told {
		celsius = at.Celsius
	}
	st := step.Stand
	tips := math.Pi * st.Propeller * st.MaxSpeed
	wrap(l.out, "", "  ", fmt.Sprintf("Thrust stand: %s, motor %d, propeller of %s.", step.Name, st.Motor, rules.Format(st.Propeller, l.in("mm", "in"))))
	for _, text := range []string{
		"A propeller at full output kills. A shield between it and everybody. Nobody in its plane or downstream, at no output, ever. A hard-wired stop in reach. Local codes and the makers' sheets come first.",
		"First run at low output. Listen: what shakes faster than 40 times a second the load cell cannot see. At any new sound, stop.",
		fmt.Sprintf("Never past the maker's %s: there the tips run at %s, %.0f %% of the speed of sound in air of %s.", rules.Format(st.MaxSpeed, "rpm"),
			rules.Format(math.Round(tips), l.in("m/s", "ft/s")), 100*tips/air.Sound(celsius), rules.Format(math.Round(celsius), l.in("°C", "°F"))),
	} {
		l.crew.Say(text)
	}
	fmt.Fprintln(l.out)
}

// stamp puts a mark on record, and waits where too many came.
func (l *standLead) stamp(m standrun.Mark) error {
	for {
		reply, err := l.cmd.ask(answers.Request{Do: "mark", Text: m.Text()})
		if err == nil || !strings.Contains(reply.Error, "too many") {
			return err
		}
		if err := l.wait(2 * time.Second); err != nil {
			return err
		}
	}
}

func (l *standLead) wait(d time.Duration) error {
	select {
	case <-l.ctx.Done():
		return errors.New("interrupted")
	case <-time.After(d):
		return nil
	}
}

func (l *standLead) ask(question, answers string) (string, error) {
	text, err := l.crew.Ask(l.ctx, question, answers)
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF):
		return "", errors.New("nobody answers any more")
	case err != nil:
		return "", errors.New("interrupted")
	}
	return strings.TrimSpace(text), nil
}

// tare reads the cell for a while, with the propeller still, as often as it takes.
func (l *standLead) tare() error {
	for began := time.Now(); ; {
		s, err := l.look()
		if err != nil {
			return err
		}
		rpm := l.seen[len(l.seen)-1].rpm
		if still := math.IsNaN(rpm) || math.Abs(rpm) < 30; still && (l.watches || !s.KeepOut && s.State != "live") { // who only watches knows no power
			break
		}
		if time.Since(began) > standLooks && time.Since(began) < 2*standLooks {
			wrap(l.out, "> ", "  ", "Waits for the propeller to stand and the power to be off.")
		}
		if err := l.wait(standLooks); err != nil {
			return err
		}
	}
	if err := l.wait(tareFor + 200*time.Millisecond); err != nil {
		return err
	}
	m := standrun.NewMark(standrun.Tare)
	m.Hold = tareFor
	return l.stamp(m)
}

// zero takes the first tare and the lever.
func (l *standLead) zero() error {
	if _, err := l.ask("Propeller on and still, power off, nobody near? The cell is read without a load.", "Enter"); err != nil {
		return err
	}
	if err := l.tare(); err != nil {
		return err
	}
	if l.lever.What != standrun.Hung {
		return l.stamp(l.lever)
	}
	weighs := rules.FormatExact(l.lever.Mass, "kg")
	for {
		if _, err := l.ask("Hang "+weighs+" where the motor pulls, in its direction (over a pulley if need be), and let it come to rest.", "Enter"); err != nil {
			return err
		}
		if err := l.wait(tareFor + 200*time.Millisecond); err != nil {
			return err
		}
		if err := l.stamp(l.lever); err != nil {
			return err
		}
		says, err := l.weighed()
		if err == nil {
			wrap(l.out, "  ", "  ", says+".")
			break
		}
		wrap(l.out, "  ", "  ", "That is no lever: "+err.Error()+".")
	}
	if _, err := l.ask("Take the mass off. Is it off, and nobody near?", "Enter"); err != nil {
		return err
	}
	return l.tare()
}

// weighed is the lever as the hung mass gave it.
func (l *standLead) weighed() (string, error) {
	if err := l.wait(onDisk); err != nil {
		return "", err
	}
	r, err := standrun.Read(l.folder)
	if err != nil {
		return "", err
	}
	lever, err := standrun.LeverOf(&r.Seen)
	return lever.Says, err
}

// climb has the crew start, hold each output, and end.
func (l *standLead) climb(step *card.Step) error {
	if l.watches {
		l.crew.Say("This guard only watches: nothing but the hard-wired stop takes the power off. Everybody behind the shield.")
	} else {
		l.crew.Say("Gate, reset, start at the pad; arm with the output at zero. Everybody behind the shield.")
	}
	if err := l.until(func(s *told.Status) bool { return s.State == "live" || s.Duty == "watch" }); err != nil {
		return err
	}
	for i, want := range l.outputs {
		way := "Up"
		if i > 0 && want < l.outputs[i-1] {
			way = "Down"
		}
		if l.rows > 0 && (way == "Up") == (want <= l.last) {
			continue // passed already
		}
		wrap(l.out, "> ", "  ", fmt.Sprintf("%s to %.0f %%, and hold it.", way, 100*want))
		stop, err := l.row(want)
		for ; errors.Is(err, errAgain); stop, err = l.row(want) {
		}
		if err != nil {
			return err
		}
		if stop != "" {
			wrap(l.out, "! ", "  ", stop)
			break
		}
	}
	l.crew.Say("Output to zero, disarm, and end at the pad.")
	if l.watches {
		_, err := l.ask("Is the output at zero, the power off, and does the propeller stand?", "Enter")
		return err
	}
	return l.end()
}

// end waits until the power is off and the rotors stand, however that came.
func (l *standLead) end() error {
	for told := false; ; {
		s, err := l.look()
		switch {
		case err != nil:
			return err
		case s.State != "live" && s.State != "lowering" && !s.KeepOut:
			return nil
		case s.State == "live" && !s.Armed && !told:
			told = true
			wrap(l.out, "> ", "  ", "Disarmed. Press end at the pad.")
		}
		if err := l.wait(standLooks); err != nil {
			return err
		}
	}
}

// until looks at the guard until it is so. A trip on the way is told, and ends it.
func (l *standLead) until(so func(*told.Status) bool) error {
	waits, ready := "", false
	for {
		s, err := l.look()
		if err != nil {
			return err
		}
		if so(s) {
			return nil
		}
		if s.State == "tripped" || s.State == "fault" {
			return l.tripped(s)
		}
		if now := strings.Join(s.NotReady, "; "); s.State == "blocked" && now != waits && !strings.Contains(now, "healthy for") {
			waits = now
			wrap(l.out, "  ", "  ", "Not ready because "+now+".")
		}
		if s.State == "ready" && !ready {
			wrap(l.out, "> ", "  ", "Ready. Look round: nobody inside, everybody behind the shield. Then press start.")
		}
		ready = s.State == "ready"
		if err := l.wait(standLooks); err != nil {
			return err
		}
	}
}

func (l *standLead) tripped(s *told.Status) error {
	if s.FirstCause == "" {
		return fmt.Errorf("the guard is %s", s.State)
	}
	return fmt.Errorf("the guard took the power off: %s", s.FirstCause)
}
