package main

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"downhaul/interlock/after/standrun"
	"downhaul/rules"
)

// row waits until an output is held and steady, stamps it, and says what it shows; stop
// is why nothing more should be asked of this motor.
func (l *standLead) row(want float64) (stop string, err error) {
	m := standrun.NewMark(standrun.Row)
	m.Hold = l.cmd.Hold
	if l.cmd.Typed {
		err = l.typed(&m, want)
	} else {
		err = l.steady(want)
	}
	if err != nil {
		return "", err
	}
	if err := l.stamp(m); err != nil {
		return "", err
	}
	return l.shows()
}

// typed asks what no telemetry tells.
func (l *standLead) typed(m *standrun.Mark, want float64) error {
	for {
		if s, err := l.look(); err != nil {
			return err
		} else if !l.watches && s.State != "live" {
			return l.tripped(s)
		}
		text, err := l.ask(fmt.Sprintf("Held for %v and steady? Type output, current, voltage and, if it is known, the speed.", l.cmd.Hold), "40 %, 12.3 A, 22.2 V, 8000 rpm")
		if err != nil {
			return err
		}
		keys := []string{"output", "current", "voltage", "speed"}
		parts := strings.Split(text, ",")
		line := "stand row; hold " + rules.FormatDuration(m.Hold)
		for i, part := range parts {
			if i < len(keys) {
				line += "; " + keys[i] + " " + strings.TrimSpace(part)
			}
		}
		typed, _, err := standrun.ParseMark(line)
		switch {
		case err != nil:
		case len(parts) < 3 || len(parts) > 4:
			err = fmt.Errorf("three or four values with commas between them (got %q)", text)
		case math.Abs(typed.Output-want) > 0.05:
			err = fmt.Errorf("the output asked for is %.0f %% (got %.0f %%)", 100*want, 100*typed.Output)
		default:
			*m = typed
			return nil
		}
		wrap(l.out, "  ", "  ", err.Error())
	}
}

// near is how far an output must be from the last row's to be another one; least is the
// output below which a motor is off; flat is how far output and thrust may move in a hold,
// as shares.
const near, least, flat, flatOutput = 0.03, 0.04, 0.01, 0.01

// steady waits for an output that has stood for the hold, with a thrust that no longer goes
// anywhere: near want, or any other than the last row's, since no hand sets it to a percent.
func (l *standLead) steady(want float64) error {
	var since time.Time
	for {
		s, err := l.look()
		if err != nil {
			return err
		}
		switch {
		case l.watches:
		case s.State == "tripped" || s.State == "fault":
			return l.tripped(s)
		case s.State != "live":
			return errEnded
		}
		held, flows, told := l.held()
		output := l.seen[len(l.seen)-1].output
		switch {
		case !told:
			return hint(errors.New("no telemetry tells the motor's output"), "SERVO_OUTPUT_RAW tells it; with --typed you type it")
		case !held || output < least || math.Abs(output-want) > near && math.Abs(output-l.last) <= near:
			since = time.Time{}
		case !flows:
			return nil
		case since.IsZero():
			since = time.Now()
		case time.Since(since) > standPatience:
			wrap(l.out, "  ", "  ", "The thrust does not get steady; the row is taken, and told as not yet steady.")
			return nil
		}
		if err := l.wait(standLooks); err != nil {
			return err
		}
	}
}

// held reports whether the output stood still for the hold, whether the thrust still
// flows, and whether output and thrust are told at all.
func (l *standLead) held() (held, flows, told bool) {
	n := len(l.seen)
	last := l.seen[n-1]
	if math.IsNaN(last.output) || math.IsNaN(last.pull) {
		return false, false, !math.IsNaN(last.output) || n < 20
	}
	from := last.at - l.cmd.Hold.Seconds() - 0.3
	if l.seen[0].at > from {
		return false, false, true
	}
	i := slices.IndexFunc(l.seen, func(x standLook) bool { return x.at >= from })
	w := l.seen[i:]
	for _, x := range w {
		if !(math.Abs(x.output-last.output) < flatOutput) || math.IsNaN(x.pull) {
			return false, false, true
		}
	}
	half := len(w) / 2
	mean := func(w []standLook) (m, sd float64) {
		for _, x := range w {
			m += x.pull / float64(len(w))
		}
		for _, x := range w {
			sd += (x.pull - m) * (x.pull - m) / float64(max(len(w)-1, 1))
		}
		return m, math.Sqrt(sd)
	}
	a, sd := mean(w[:half])
	b, _ := mean(w[half:])
	return true, math.Abs(b-a) > math.Max(flat*math.Abs(b), 2*sd/math.Sqrt(float64(max(half, 1)))), true
}

// errAgain asks for the same output once more.
var errAgain = errors.New("the row does not count")

// shows prints the newest row, with what is found of it.
func (l *standLead) shows() (stop string, err error) {
	if err := l.wait(onDisk); err != nil {
		return "", err
	}
	out, err := tableOfStand(l.folder, l.cmd.Out, &l.cmd.standWords)
	if err != nil {
		wrap(l.out, "  - ", "    ", err.Error()+".")
		return "", errAgain
	}
	rows := out.Table.table.Rows
	if len(rows) == l.rows {
		for _, n := range out.Notes {
			wrap(l.out, "  - ", "    ", n+".")
		}
		return "", errAgain
	}
	r := &rows[len(rows)-1]
	l.rows, l.last = len(rows), r.Output.Value
	j := &out.Table.Rows[len(rows)-1].Judged
	wrap(l.out, "  ", "  ", fmt.Sprintf("%s: %s, %s rpm, %.2f V, %.2f A, %.0f W, merit %s, tips %s", cellText(r.Output, 100, "%.0f %%"), out.Table.table.ShowForce(r.Thrust.Value),
		cellText(r.Speed, 60, "%.0f"), r.Voltage.Value, r.Current.Value, r.Power.Value, orDash(j.Merit > 0, "%.2f", j.Merit), orDash(j.TipShare > 0, "%.0f %% of sound", 100*j.TipShare)))
	for _, f := range out.Table.Findings {
		if f.Line != r.Line && !(f.Refused && f.Line == 0) {
			continue
		}
		wrap(l.out, "  - ", "    ", f.Text+".")
		if f.Refused {
			stop = "REFUSED. Nothing measured with this counts: bring the output down."
		}
		if f.Stop {
			stop = strings.ToUpper(f.Mend[:1]) + f.Mend[1:] + "."
		}
	}
	return stop, nil
}
