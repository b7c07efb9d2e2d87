package bench

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/records/recording"
	"downhaul/interlock/records/strays"
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
	// Overs is how often its limit was passed, OverS for how long in all.
	Overs uint64  `json:"over_count"`
	OverS float64 `json:"over_s"`
	// InForceS is for how long it was in force, BlindS for how much of that what it
	// watches was missing or too old; looked at ten times a second.
	InForceS float64 `json:"in_force_s"`
	BlindS   float64 `json:"blind_s"`
	// Index is the rule's place in the envelope.
	Index int `json:"-"`
}

// Result is what one recording brought.
type Result struct {
	File      string  `json:"file"`
	DurationS float64 `json:"duration_s"`
	Frames    uint64  `json:"frames"`
	Ignored   uint64  `json:"ignored"`
	// BadBytes are in no good frame; once sorted (see Sort), in no frame at all.
	BadBytes uint64 `json:"bad_bytes"`
	// Damaged are frames whose checksum fails, or that break off; nil: none, or not sorted.
	Damaged  *strays.Row `json:"damaged_frames,omitempty"`
	Trips    []Event     `json:"trips"`
	Cautions []Event     `json:"cautions"`
	// Consequences are stops that became due by a silence of the craft, each behind
	// the trip of its number; they are no trips of their own.
	Consequences []Event `json:"consequences"`
	// Like has all of these, like ones together, in the order of their first.
	Like     []Like     `json:"like"`
	Headroom []Headroom `json:"headroom"`
	// TripsUnlisted and CautionsUnlisted count those beyond the first 20,000,
	// which are not listed.
	TripsUnlisted    uint64 `json:"trips_unlisted,omitempty"`
	CautionsUnlisted uint64 `json:"cautions_unlisted,omitempty"`
	// Link is how the craft's frames came in.
	Link Link `json:"link"`
	// IgnoredWhy is what was left out of the decisions, with the reason.
	IgnoredWhy []Ignored `json:"ignored_why"`
	// NeverHeard lists channels that a rule watches and the recording never
	// told.
	NeverHeard []string `json:"never_heard"`
	// Notes state in plain words what was left out, lost or not as it should be.
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

// Replay runs one recording through the setup. file is only a name for the
// result. Recordings that break off give what could be read, with a note.
func Replay(file string, rec *recording.Reader, setup Setup, options ...Option) (*Result, error) {
	return replay(file, rec, setup, nil, options...)
}

func replay(file string, rec *recording.Reader, setup Setup, watch watcher, options ...Option) (*Result, error) {
	out := &Result{File: file, Trips: []Event{}, Cautions: []Event{}, Consequences: []Event{}, Like: []Like{}, Headroom: []Headroom{}, NeverHeard: []string{}, Notes: []string{},
		System: setup.Intake.Craft.System, Component: setup.Intake.Craft.Component}
	p, err := newPass(setup, []*rules.Envelope{setup.Envelope}, options)
	if err != nil {
		return nil, err
	}
	p.lanes[0].byBlind = true
	p.lanes[0].watch = func(at time.Duration, effects []interlock.Effect) {
		out.take(setup.Envelope, effects)
		for _, f := range effects {
			if p.decide != nil {
				p.decide(f)
			}
		}
		if watch != nil {
			watch(at, effects)
		}
	}
	if err := p.run(file, rec); err != nil {
		return nil, err
	}
	out.Notes = append(out.Notes, p.notes...)
	out.End, out.DurationS = p.end, p.end.Seconds()
	finish(out, p, rec.Info())
	return out, nil
}

// mostEvents is how many trips, and how many cautions, a result lists one by
// one; a thin link can bring a hundred thousand of them in ten hours. Ours.
const mostEvents = 20_000

// take lists the trips and cautions among the effects.
func (r *Result) take(env *rules.Envelope, effects []interlock.Effect) {
	for _, f := range effects {
		kind, list, more := "trip", &r.Trips, &r.TripsUnlisted
		switch {
		case f.Kind == interlock.TripEffect:
		case f.Kind == interlock.ConsequenceEffect:
			kind, list = "consequence", &r.Consequences
		case f.Kind == interlock.CautionEffect && f.On:
			kind, list, more = "caution", &r.Cautions, &r.CautionsUnlisted
		default:
			continue
		}
		e := eventOf(env, f)
		r.alike(kind, e, env)
		if len(*list) < mostEvents {
			*list = append(*list, e)
		} else {
			*more++
		}
	}
}

// Stops returns every stop of a rule or an interlock that became due by itself, in
// the order of time: those that are trips, and those behind one.
func (r *Result) Stops() []Event {
	var out []Event
	for _, e := range slices.Concat(r.Trips, r.Consequences) {
		if e.effect.Demands() {
			out = append(out, e)
		}
	}
	slices.SortStableFunc(out, func(a, b Event) int { return cmp.Compare(a.AtS, b.AtS) })
	return out
}

// endOf tells an end of the recording, also one that only costs the rest, from an
// error.
func (p *pass) endOf(file string, err error) error {
	var torn *recording.Torn
	var damaged *recording.Damaged
	switch {
	case errors.Is(err, io.EOF):
		return nil
	case errors.As(err, &torn), errors.As(err, &damaged):
		p.notes = append(p.notes, err.Error())
		return nil
	}
	return fmt.Errorf("%s: %w", file, err)
}

func finish(out *Result, p *pass, info recording.Info) {
	engine, env := p.lanes[0].engine, p.lanes[0].env
	var counts intake.Counts
	p.in.CountsTo(&counts)
	for _, l := range counts.Links {
		out.Frames += l.Frames
		out.Ignored += l.Others + l.WrongAddress + l.Repeated + l.Late + l.UnknownIDs
		out.BadBytes += l.BadBytes
	}
	// Of raw bytes the reader itself leaves out what lies between the frames.
	out.BadBytes += info.BadBytes
	out.Link = p.health.link()
	out.IgnoredWhy = ignoredWhy(counts, p.others.list)
	out.Notes = append(out.Notes, info.Notes()...)
	out.Notes = append(out.Notes, p.health.notes()...)
	heard := func(id rules.ChannelID) bool {
		r := engine.Reading(id)
		return r.Quality != rules.Missing || r.Cause != rules.NoCause
	}
	told := map[rules.ChannelID]bool{}
	for i := range env.Rules {
		rule := &env.Rules[i]
		if least := &p.lanes[0].least[i]; rule.Watch == rules.LinkAge && least.seen {
			// It is told with each frame, when it is 0, and at its limit; between it grows.
			*least = leastSeen{true, rule.Headroom(p.health.longest.Seconds()), p.health.longestAt + p.health.longest}
		}
		l := &p.lanes[0].times[i]
		h := Headroom{Rule: rule.Name, Unit: ruleUnit(rule), Index: i, Overs: l.overs, OverS: l.over.Seconds(), InForceS: l.inForce.Seconds(), BlindS: l.blind.Seconds()}
		if least := &p.lanes[0].least[i]; least.seen {
			h.Least, h.AtS = &least.room, least.at.Seconds()
		} else if !told[rule.Watch] && !heard(rule.Watch) {
			told[rule.Watch] = true
			out.NeverHeard = append(out.NeverHeard, rule.Watch.String())
		}
		out.Headroom = append(out.Headroom, h)
	}
	if n := out.ofAge(); n >= manyOfAge {
		out.Notes = append(out.Notes, fmt.Sprintf("%d of the stops are of age alone: values came more seldom than their stale_after allows. downhaul check --heard, with this recording, says what this link can bear", n))
	}
	if out.Frames == 0 {
		out.Notes = append(out.Notes, fmt.Sprintf("not one frame of the craft %d.%d is in it: what is ignored says who else was heard", out.System, out.Component))
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
		if f.Lasted > 0 {
			e.Rule += fmt.Sprintf(" for %.1f s", f.Lasted.Seconds())
		}
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
