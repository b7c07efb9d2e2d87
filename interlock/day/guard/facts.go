package guard

import (
	"slices"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/limits"
	"downhaul/rules"
)

// shownChannels are shown beside the rules.
var shownChannels = [...]rules.ChannelID{
	rules.WindSpeed, rules.Gust, rules.Mean2, rules.Mean10, rules.Peak10, rules.Lull10,
	rules.Height, rules.Climb, rules.Apex, rules.Tilt, rules.Tension, rules.MotorHighest, rules.RotorSpeed, rules.LiftReserve,
	rules.SupplyVoltage, rules.SupplyCurrent, rules.SupplyLeft,
	rules.Pack1Voltage, rules.Pack1LowestCell, rules.Pack1Current, rules.Pack1Charge, rules.Pack1Left, rules.Pack1Temperature,
	rules.Pack2Voltage, rules.Pack2LowestCell, rules.Pack3Voltage, rules.Pack3LowestCell, rules.Pack4Voltage, rules.Pack4LowestCell,
	rules.PackResistance, rules.PackToFloor, rules.LinkLag, rules.LinkLoss, rules.LinkAge, rules.RadioRSSI,
}

// The following read what was copied out of the snapshot.

func (s *seen) causes(env *rules.Envelope) []answers.CauseStatus {
	out := []answers.CauseStatus{}
	for i := range min(s.past.tripCount, mostTrips) {
		f := &s.past.trips[i]
		c := answers.CauseStatus{Trip: f.Trip, At: seconds(f.At), AfterS: seconds(f.At - s.past.trips[0].At), First: i == 0,
			Text: FirstCause(env, *f), Stop: f.Stop.String(), Part: f.Kind == interlock.ConsequenceEffect}
		stands, over := false, "heard again now"
		switch {
		case f.Reason == interlock.ReasonLink, f.Reason == interlock.ReasonThenSilent:
			stands = slices.ContainsFunc(s.view.Unmet, func(u interlock.Unmet) bool { return u.Need == interlock.NeedLink })
		case f.Rule >= 0 && f.Rule < len(s.view.Rules):
			if stands = s.view.Rules[f.Rule].Demand; f.Reason != interlock.ReasonRuleMissing {
				over = "inside again now"
			}
		default:
			out = append(out, c)
			continue
		}
		if c.Stands, c.Now = &stands, over; stands {
			c.Now = "still so"
		} else if s.view.Duty == interlock.Guard {
			c.Now += "; reset clears it"
		}
		out = append(out, c)
	}
	return out
}

func (s *seen) permissives(env *rules.Envelope) []answers.PermissiveStatus {
	out := []answers.PermissiveStatus{}
	for i := range s.view.Permissives {
		p, now := &env.Permissives[i], s.view.Permissives[i]
		row := answers.PermissiveStatus{Name: p.Name, Channel: p.Watch.String(), Condition: p.Condition(), Limit: p.Limit,
			Unit: rules.SIUnit(p.Watch.Channel().Kind), Now: "missing", Holds: s.view.Holds[i]}
		if now.Quality != rules.Missing {
			row.Value, row.Now = some(now.Value), rules.Format(now.Value, p.Unit)
		}
		out = append(out, row)
	}
	return out
}

// channels are the last readings, in the user's units. What was never heard is
// left out.
func (s *seen) channels(env *rules.Envelope) []answers.ChannelStatus {
	out := []answers.ChannelStatus{}
	for i, id := range shownChannels {
		r := s.table[i]
		if r.Quality == rules.Missing && r.Cause == rules.NoCause {
			continue
		}
		about := id.Channel()
		unit := unitFor(env, id)
		c := answers.ChannelStatus{Channel: id.String(), Says: about.Says, Unit: rules.SIUnit(about.Kind), Shown: unit,
			Cause: r.Cause.String(), AgeS: some(seconds(s.view.At - r.At)), Text: "missing"}
		// What is older than the channel may be is no value any more.
		if r.Quality != rules.Missing && s.view.At-r.At > max(id.Stale(), time.Second) {
			c.Cause = rules.Stale.String()
			r = limits.Reading{At: r.At, Cause: rules.Stale}
		}
		if r.Quality != rules.Missing {
			c.Value, c.Text = some(r.Value), rules.Format(r.Value, unit)
			if v, ok := rules.Convert(r.Value, unit); ok {
				c.AsShown = some(v)
			}
		}
		out = append(out, c)
	}
	return out
}

// unitFor is the unit in which people read a channel: that of the first rule or
// condition on it, else that of the envelope's system.
func unitFor(env *rules.Envelope, id rules.ChannelID) string {
	for i := range env.Rules {
		if r := &env.Rules[i]; r.Watch == id && r.Form != rules.RisingFaster && r.Form != rules.FallingFaster {
			return r.Unit
		}
	}
	for i := range env.Permissives {
		if env.Permissives[i].Watch == id {
			return env.Permissives[i].Unit
		}
	}
	kind := id.Channel().Kind
	if kind == rules.Speed { // every wind in one unit, every climb in one
		for i := range env.Rules {
			if r := &env.Rules[i]; r.Watch.Channel().Kind == kind && r.Watch.OfWind() == id.OfWind() && r.Form < rules.RisingFaster {
				return r.Unit
			}
		}
	}
	return rules.DefaultUnit(kind, env.Units)
}

// notReady is the one list of what stands against a start, with value, limit
// and reason; status, page and log tell it alike. While live there is none:
// what is lost then is no trip, and stands with the permissives.
func (g *Guard) notReady(v *interlock.View) []string {
	out := []string{}
	if v.State == interlock.Live || v.State == interlock.Lowering {
		return out
	}
	if v.Trips == 0 && (v.State == interlock.Tripped || v.State == interlock.Fault) {
		for _, e := range g.before { // nothing else brought it here
			out = append(out, e.Says)
		}
	}
	for _, u := range v.Unmet {
		if due := g.dueTests(); u.Need == interlock.NeedProof && len(due) > 0 {
			out = append(out, due...)
			continue
		}
		if gone := g.keeper.gone.Load(); gone != nil && (u.Need == interlock.NeedDisk || u.Need == interlock.NeedKept) {
			out = append(out, *gone)
			continue
		}
		if asks := g.declared.asking(); u.Need == interlock.NeedCard && len(asks) > 0 {
			out = append(out, asks...)
			continue
		}
		if held := g.ledgerHolds(); u.Need == interlock.NeedLedger && len(held) > 0 {
			out = append(out, held...)
			continue
		}
		out = append(out, v.Say(g.env, u))
	}
	return out
}

// wasTold remembers what somebody did over the local socket.
func (g *Guard) wasTold(what, by string) {
	at := g.now()
	g.toldMu.Lock()
	defer g.toldMu.Unlock()
	g.told = append(g.told, said{at, what, by})
	if len(g.told) > mostActs {
		g.told = slices.Delete(g.told, 0, len(g.told)-mostActs)
	}
}

// acts are the last acts at the buttons and over the local socket.
func (g *Guard) acts(past *recent) []answers.ActStatus {
	out := past.list()
	g.toldMu.Lock()
	for _, t := range g.told {
		out = append(out, answers.ActStatus{At: seconds(t.at), What: t.what, By: t.by})
	}
	g.toldMu.Unlock()
	slices.SortStableFunc(out, func(a, b answers.ActStatus) int {
		switch {
		case a.At < b.At:
			return -1
		case a.At > b.At:
			return 1
		}
		return 0
	})
	return out[max(0, len(out)-mostActs):]
}
