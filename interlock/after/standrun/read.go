package standrun

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/recording"
	"downhaul/interlock/records/session"
	"downhaul/interlock/records/standtable"
	"downhaul/rules"
	"downhaul/rules/card"
)

// Run is one session on a stand, read.
type Run struct {
	Info *session.Info
	Card *card.Card
	// Step is the newest declared step on the stand.
	Step *card.Step
	// Air is as it was declared, else the card's.
	Air  card.Air
	Seen Seen
	// Notes state what was not good in the recording.
	Notes []string
}

// Read reads a session's folder, also one that is still being written.
func Read(folder string) (*Run, error) {
	ses, err := session.Open(folder)
	if err != nil {
		return nil, err
	}
	text, err := ses.Text(session.Pad)
	if err != nil {
		return nil, err
	}
	p, faults := pad.Read(filepath.Join(folder, session.Pad), text)
	if err := faults.Err(); err != nil {
		return nil, err
	}
	if !p.LoadCell.Fitted {
		return nil, errors.New("the pad of this session has no load cell, and nothing else tells the thrust")
	}
	text, err = ses.Text(session.Card)
	if err != nil {
		return nil, fmt.Errorf("the session has no test card, and its step on the stand tells motor and propeller: %w", err)
	}
	r := &Run{Info: &ses.Info}
	if r.Card, faults = card.Read(filepath.Join(folder, session.Card), text); faults.Err() != nil {
		return nil, faults
	}
	r.Air = r.Card.Air
	story, err := ses.Story()
	if err != nil {
		r.Notes = append(r.Notes, err.Error())
	}
	for i := range story.Declarations {
		switch d := &story.Declarations[i]; d.What {
		case session.DeclaredStep:
			if s, ok := r.Card.Step(d.Step); ok && s.Stand != nil {
				r.Step = s
			}
		case session.DeclaredAir:
			if a, err := card.ParseAir(d.Value); err == nil {
				r.Air = a
			}
		}
	}
	if r.Step == nil {
		return nil, errors.New(`no step on the thrust stand was declared in this session: kind = "stand" on the card, and downhaul declare step`)
	}
	return r, r.hear(ses.Dir, p.Intake())
}

// hear goes through the recording.
func (r *Run) hear(folder string, cfg intake.Config) error {
	to := map[rules.ChannelID]*[]Sample{
		rules.Tension: &r.Seen.Cell, rules.ESCTemperature: &r.Seen.Celsius,
		rules.ESCVoltage: &r.Seen.Volts[0], rules.Pack1Voltage: &r.Seen.Volts[1], rules.SupplyVoltage: &r.Seen.Volts[2],
		rules.ESCCurrent: &r.Seen.Amps[0], rules.Pack1Current: &r.Seen.Amps[1], rules.SupplyCurrent: &r.Seen.Amps[2],
	}
	motor := rules.ChannelID(r.Step.Stand.Motor) - 1
	to[rules.Motor1Output+motor], to[rules.Motor1Speed+motor] = &r.Seen.Output, &r.Seen.Speed
	cfg.Fields.Wanted = new([rules.ChannelCount]bool)
	for id := range to {
		cfg.Fields.Wanted[id] = true
	}
	in, err := intake.New(cfg)
	if err != nil {
		return err
	}
	parts, err := recording.Parts(folder)
	if err != nil {
		return err
	}
	if len(parts) == 0 {
		return errors.New("the session holds no recording")
	}
	rec, err := recording.OpenParts(parts, recording.PastDamage())
	if err != nil {
		return err
	}
	defer rec.Close()
	var inputs []interlock.Input
	for {
		c, err := rec.Next()
		if torn := new(recording.Torn); errors.Is(err, io.EOF) || errors.As(err, &torn) {
			return nil // it is still being written, or broke off: what stands counts
		}
		if err != nil {
			return err
		}
		if c.Source == intake.HostEvent {
			r.host(c)
			continue
		}
		inputs = in.Append(inputs[:0], c)
		for i := range inputs {
			if s := &inputs[i].Sample; inputs[i].Kind == interlock.SampleInput && s.Quality == rules.Good {
				if into := to[s.Channel]; into != nil {
					*into = append(*into, Sample{c.At, s.Value})
				}
			}
		}
	}
}

// host takes a mark of the stand.
func (r *Run) host(c *intake.Chunk) {
	m, ok := intake.DecodeHost(c.Bytes)
	text, marked := strings.CutPrefix(m.Text, "mark: ")
	if !ok || m.Host != interlock.HostMark || !marked {
		return
	}
	if i := strings.LastIndex(text, " (by "); i >= 0 {
		text = text[:i]
	}
	x, ours, err := ParseMark(text)
	switch {
	case err != nil:
		r.Notes = append(r.Notes, fmt.Sprintf("the mark at %.1f s does not count: %v", c.At.Seconds(), err))
	case ours:
		x.At = c.At
		r.Seen.Marks = append(r.Seen.Marks, x)
	}
}

// Table makes the run's table; motor, propeller and by are for its head.
func (r *Run) Table(motor, propeller, by string) (*standtable.Table, *Taken, error) {
	t, err := take(&r.Seen)
	if err != nil {
		return nil, nil, err
	}
	s := r.Step.Stand
	source := fmt.Sprintf("thrust stand, session %s, step %s; %s", r.Info.Session, r.Step.Name, t.Lever.Says)
	if r.Info.Mark != "" {
		source += "; " + r.Info.Mark
	}
	if !t.Finished {
		source += "; unfinished"
	}
	t.Notes = append(r.Notes, t.Notes...)
	return &standtable.Table{Motor: motor, Propeller: propeller, By: by, Source: source, Date: r.Info.Wall.Format("2006-01-02"),
		Diameter: s.Propeller, MaxSpeed: s.MaxSpeed, Air: r.Air, Doubt: t.Doubt, Unit: rules.DefaultUnit(rules.Force, r.Card.Units), Rows: t.Rows}, t, nil
}
