package report

import (
	"cmp"
	"fmt"
	"time"

	"downhaul/interlock/records/ledger"
	"downhaul/rules"
)

// episodes groups decisions by first cause.
type episodes struct {
	e    *events
	s    *Session
	env  *rules.Envelope
	wall time.Time
	out  []Episode
	open *Episode // the last of out, until its reset
}

// episodesOf groups trips by first cause: an episode ends with the reset.
func episodesOf(e *events, s *Session, env *rules.Envelope, wall time.Time) []Episode {
	g := episodes{e: e, s: s, env: env, wall: wall, out: []Episode{}}
	for i := range e.list {
		d := &e.list[i]
		switch {
		case d.Kind == "trip":
			g.trip(i)
		case g.open != nil:
			g.behind(d)
		case d.Kind == "state" && d.State == fault && d.From != fault:
			g.fault(d)
		}
	}
	for i := range g.out {
		ep := &g.out[i]
		ep.from = max(0, ep.from)
		ep.From, ep.To = seconds(ep.from), seconds(ep.to)
	}
	return g.out
}

// begin opens an episode around an instant.
func (g *episodes) begin(at time.Duration) {
	g.out = append(g.out, Episode{Trips: []Trip{}, Follows: []Followed{}, from: at - around, to: at + around, over: rules.Never})
	g.open = &g.out[len(g.out)-1]
}

// trip takes the trip that is decision i.
func (g *episodes) trip(i int) {
	d := &g.e.list[i]
	if g.open == nil || d.FirstOut && g.s.Duty == "watch" {
		g.begin(d.at())
		for _, r := range g.s.Runs {
			if d.at() >= r.begin && d.at() <= r.end {
				g.open.Run = r.Number
			}
		}
		// The relay is written before anything else is told.
		for j := i - 1; j >= 0 && g.e.list[j].at() == d.at(); j-- {
			if g.e.list[j].Kind == "relay" && !g.e.list[j].On {
				g.open.follow(d.at(), "relay commanded open")
			}
		}
	}
	r := ruleNamed(g.env, d.Rule)
	t := Trip{
		Session: g.s.Session, Number: d.Trip, At: seconds(d.at()), UTC: g.wall.Add(d.at()).UTC(), Rule: d.Rule, Channel: d.Channel,
		Value: ofRule(d.Value, r, d.Unit), Limit: ofRule(d.Limit, r, d.Unit).written(), Stop: d.Stop, FirstOut: d.FirstOut,
		Reason: d.Reason, Cause: d.Cause, Says: d.cause(r), Times: Times{Notes: []string{}},
	}
	if d.flashFor != "" {
		t.Flash, t.FlashFor = seconds(d.at()-d.flashed), d.flashFor
	}
	g.open.Trips = append(g.open.Trips, t)
	g.open.reach(d.at())
}

// fault gives a fault of the chain that no trip came with a window of its own.
func (g *episodes) fault(d *decision) {
	says, _, ok := ledger.FaultOf(d.Reason, d.From)
	if !ok {
		return
	}
	g.begin(d.at())
	g.open.Trips = append(g.open.Trips, Trip{Session: g.s.Session, At: seconds(d.at()), UTC: g.wall.Add(d.at()).UTC(), Stop: rules.Immediate.String(), FirstOut: true,
		Reason: d.Reason, Says: "fault of the chain: " + says, Times: Times{Notes: []string{}}})
	for _, f := range g.s.ChainFaults {
		if f.At.Value == g.open.Trips[0].At.Value {
			g.open.Run = f.Run
		}
	}
}

// behind takes what comes behind the trips of an open episode.
func (g *episodes) behind(d *decision) {
	ep := g.open
	switch {
	case d.Kind == "state" && (d.State == blocked || d.State == closing) && d.From != live && d.From != lowering:
		ep.follow(d.at(), "reset")
		ep.over, g.open = d.at(), nil
	case d.Kind == "state" && d.From != d.State:
		ep.follow(d.at(), fmt.Sprintf("%s: %s", d.State, d.Reason))
		ep.reach(d.at())
		if d.State == blocked {
			ep.over, g.open = d.at(), nil
		}
	case d.Kind == "relay" && !d.On:
		ep.follow(d.at(), "relay commanded open")
		ep.reach(d.at())
	case d.Kind == "consequence":
		says := d.cause(ruleNamed(g.env, d.Rule))
		ep.follow(d.at(), "with it: "+says)
		for j := range ep.Trips {
			if t := &ep.Trips[j]; t.Number == d.Trip && len(t.With) < mostFollowed {
				t.With = append(t.With, says)
			}
		}
	case d.Kind == "clear":
		ep.follow(d.at(), "back inside: "+cmp.Or(d.Rule, d.Reason))
	}
}

// mostFollowed bounds what is listed behind one first cause; ours.
const mostFollowed = 60

func (ep *Episode) follow(at time.Duration, says string) {
	if len(ep.Follows) < mostFollowed {
		ep.Follows = append(ep.Follows, Followed{seconds(at), says})
	}
}

// reach makes the window hold an instant and what comes soon after.
func (ep *Episode) reach(at time.Duration) {
	ep.to = max(ep.to, min(at+around, ep.from+longest))
}
