package bench

import (
	"errors"
	"fmt"
	"io"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/intake"
	"downhaul/interlock/recording"
	"downhaul/rules"
)

// Setup is what a recording is replayed through. The engine is made anew for
// every recording.
type Setup struct {
	Envelope *rules.Envelope
	Site     interlock.Site
	Intake   intake.Config
}

// Event is one trip or caution of a replay; values are SI.
type Event struct {
	AtS      float64  `json:"at_s"`
	Rule     string   `json:"rule"`
	Channel  string   `json:"channel"`
	Value    *float64 `json:"value"`
	Limit    *float64 `json:"limit"`
	Unit     string   `json:"unit"`
	Stop     string   `json:"stop"`
	FirstOut bool     `json:"first_out"`
	Reason   string   `json:"reason"`
	Cause    string   `json:"cause,omitempty"`
	// Number is the trip's number in the session, 0 for a caution.
	Number uint32 `json:"number,omitempty"`

	effect interlock.Effect
}

// Effect is the decision itself.
func (e *Event) Effect() interlock.Effect { return e.effect }

// Headroom is the least distance of a rule to its limit while it was in force.
type Headroom struct {
	Rule  string   `json:"rule"`
	Least *float64 `json:"least"` // null: it never had a value in force
	Unit  string   `json:"unit"`
	AtS   float64  `json:"at_s"`
	// Index is the rule's place in the envelope.
	Index int `json:"-"`
}

// Result is what one recording brought.
type Result struct {
	File      string     `json:"file"`
	DurationS float64    `json:"duration_s"`
	Frames    uint64     `json:"frames"`
	Ignored   uint64     `json:"ignored"`
	BadBytes  uint64     `json:"bad_bytes"`
	Trips     []Event    `json:"trips"`
	Cautions  []Event    `json:"cautions"`
	Headroom  []Headroom `json:"headroom"`
	// NeverHeard lists channels that a rule watches and the recording never
	// told.
	NeverHeard []string `json:"never_heard"`
	// Notes say in plain words what was left out, lost or not as it should be.
	Notes []string `json:"notes"`
	// Craft is who was heard.
	System    uint8 `json:"system"`
	Component uint8 `json:"component"`
	// Equal is the comparison with the session's own decisions; nil for
	// anything but a session.
	Equal *Equality `json:"equal,omitempty"`
	// End is the engine time of the end of the recording.
	End time.Duration `json:"-"`
}

// watcher sees every decision of a replay in order.
type watcher func(at time.Duration, effects []interlock.Effect)

// Replay runs one recording through the setup. file is only a name for the
// result. Recordings that break off give what could be read, with a note.
func Replay(file string, rec *recording.Reader, setup Setup) (*Result, error) {
	return replay(file, rec, setup, nil)
}

func replay(file string, rec *recording.Reader, setup Setup, watch watcher) (*Result, error) {
	engine, err := interlock.New(setup.Envelope, setup.Site)
	if err != nil {
		return nil, err
	}
	engine.TrackHeadroom()
	cfg := setup.Intake
	wanted := engine.Wanted()
	cfg.Fields.Wanted = &wanted
	in, err := intake.New(cfg)
	if err != nil {
		return nil, err
	}
	out := &Result{File: file, Trips: []Event{}, Cautions: []Event{}, Headroom: []Headroom{}, NeverHeard: []string{}, Notes: []string{},
		System: cfg.Craft.System, Component: cfg.Craft.Component}
	take := func(at time.Duration, effects []interlock.Effect) {
		if len(effects) == 0 {
			return
		}
		for _, f := range effects {
			switch f.Kind {
			case interlock.TripEffect:
				out.Trips = append(out.Trips, eventOf(setup.Envelope, f))
			case interlock.CautionEffect:
				if f.On {
					out.Cautions = append(out.Cautions, eventOf(setup.Envelope, f))
				}
			}
		}
		if watch != nil {
			watch(at, effects)
		}
	}
	var inputs []interlock.Input
	var end time.Duration
	var c intake.Chunk
	for {
		if err := rec.NextInto(&c); err != nil {
			if err := endOf(err, out); err != nil {
				return nil, fmt.Errorf("%s: %w", file, err)
			}
			break
		}
		end = c.At
		if c.Source == intake.Decisions {
			continue
		}
		inputs = in.AppendFrom(inputs[:0], &c)
		if len(inputs) == 0 {
			take(c.At, engine.Advance(c.At))
		}
		for i := range inputs {
			if effects := engine.StepFrom(c.At, &inputs[i]); len(effects) > 0 {
				take(c.At, effects)
			}
		}
	}
	take(end, engine.Advance(end))
	out.End, out.DurationS = end, end.Seconds()
	finish(out, engine, setup.Envelope, in.Counts(), rec.Info())
	return out, nil
}

// endOf tells a proper end from one that only costs the rest.
func endOf(err error, out *Result) error {
	var torn *recording.Torn
	var damaged *recording.Damaged
	switch {
	case errors.Is(err, io.EOF):
		return nil
	case errors.As(err, &torn), errors.As(err, &damaged):
		out.Notes = append(out.Notes, err.Error())
		return nil
	}
	return err
}

func finish(out *Result, engine *interlock.Engine, env *rules.Envelope, counts intake.Counts, info recording.Info) {
	for _, l := range counts.Links {
		out.Frames += l.Frames
		out.Ignored += l.Others + l.WrongAddress + l.Duplicates + l.Late + l.UnknownIDs
		out.BadBytes += l.BadBytes
	}
	// Of raw bytes the reader itself leaves out what lies between the frames.
	out.BadBytes += info.BadBytes
	out.Notes = append(out.Notes, info.Notes()...)
	heard := func(id rules.ChannelID) bool {
		r := engine.Reading(id)
		return r.Quality != rules.Missing || r.Cause != rules.NoCause
	}
	told := map[rules.ChannelID]bool{}
	for i := range env.Rules {
		rule := &env.Rules[i]
		h := Headroom{Rule: rule.Name, Unit: ruleUnit(rule), Index: i}
		if least, at, ok := engine.LeastHeadroom(i); ok {
			h.Least, h.AtS = &least, at.Seconds()
		} else if !told[rule.Watch] && !heard(rule.Watch) {
			told[rule.Watch] = true
			out.NeverHeard = append(out.NeverHeard, rule.Watch.String())
		}
		out.Headroom = append(out.Headroom, h)
	}
	if !heard(rules.CraftArmed) {
		out.Notes = append(out.Notes, "armed or not is never told: the craft counts as armed throughout")
	}
	if !heard(rules.CraftLanded) {
		out.Notes = append(out.Notes, "landed or not is never told: the craft counts as airborne unless disarmed, low and idle")
	}
}

// ruleUnit is the SI unit of a rule's limit.
func ruleUnit(r *rules.Rule) string {
	kind := r.Watch.Channel().Kind
	if r.Form == rules.RisingFaster || r.Form == rules.FallingFaster {
		kind = kind.Rate()
	}
	return rules.SIUnit(kind)
}

func eventOf(env *rules.Envelope, f interlock.Effect) Event {
	e := Event{AtS: f.At.Seconds(), Reason: f.Reason.String(), Stop: f.Stop.String(), FirstOut: f.FirstOut,
		Cause: f.Cause.String(), Number: f.Trip, effect: f}
	if f.Rule < 0 {
		e.Rule = "built-in: " + f.Reason.String()
		return e
	}
	rule := &env.Rules[f.Rule]
	e.Rule, e.Channel, e.Unit = rule.Name, rule.Watch.String(), ruleUnit(rule)
	e.Limit = &f.Limit
	if f.HasValue {
		e.Value = &f.Value
	}
	return e
}
