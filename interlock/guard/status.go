package guard

import (
	"fmt"
	"strings"
	"sync"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/derived"
	"downhaul/interlock/intake"
	"downhaul/rules"
)

// snapshot is what the loop copies for whoever asks. The loop never waits for
// it: while somebody reads, this round is left out.
type snapshot struct {
	mu     sync.Mutex
	taken  bool
	view   interlock.View
	table  []derived.Reading // of shownChannels
	counts intake.Counts
	turns  uint64
	worst  time.Duration
	drops  uint64
	output error
}

// shownChannels are shown beside the rules.
var shownChannels = [...]rules.ChannelID{
	rules.WindSpeed, rules.Gust, rules.Mean10, rules.Height, rules.Apex, rules.Tension,
	rules.SupplyVoltage, rules.Pack1Voltage, rules.Pack1LowestCell, rules.LinkLag, rules.LinkLoss,
}

func (s *snapshot) take(l *Loop) {
	if !s.mu.TryLock() {
		return
	}
	defer s.mu.Unlock()
	s.taken = true
	l.cfg.Engine.View(&s.view)
	s.table = s.table[:0]
	for _, id := range shownChannels {
		s.table = append(s.table, l.cfg.Engine.Reading(id))
	}
	l.cfg.Intake.CountsTo(&s.counts)
	s.turns, s.worst, s.drops, s.output = l.turns, l.worst, l.Dropped(), l.outputErr
}

// Status is what `status` shows and the page reads. Values are SI, with the
// unit beside them; texts are for people, in the units of the envelope.
type Status struct {
	Schema   int     `json:"schema"`
	Session  string  `json:"session"`
	Folder   string  `json:"folder"`
	At       float64 `json:"at_s"`
	Duty     string  `json:"duty"`
	State    string  `json:"state"`
	SinceS   float64 `json:"since_s"`
	Sentence string  `json:"sentence"`
	Sound    string  `json:"sound"`
	RelayOn  bool    `json:"relay_on"`
	Closed   bool    `json:"closed"`
	Armed    bool    `json:"armed"`
	Airborne bool    `json:"airborne"`
	KeepOut  bool    `json:"keep_out"`
	// GraceLeft is the time until a controlled stop takes the power off; null
	// where none runs.
	GraceLeft  *float64        `json:"grace_left_s"`
	FirstCause string          `json:"first_cause"`
	NotReady   []string        `json:"not_ready_because"`
	Rules      []RuleStatus    `json:"rules"`
	Channels   []ChannelStatus `json:"channels"`
	Unseen     []string        `json:"unseen"`
	Trips      uint32          `json:"trips"`
	Kept       uint32          `json:"trips_on_disk"`
	Loop       LoopStatus      `json:"loop"`
	Link       LinkStatus      `json:"link"`
	Signing    SigningStatus   `json:"signing"`
	// Declared is what the crew declared and what the test card asks.
	Declared Declared `json:"declared"`
	// Trouble is the last thing that went wrong with records or outputs.
	Trouble []string `json:"trouble"`
}

// RuleStatus is one rule now.
type RuleStatus struct {
	Name     string   `json:"name"`
	Channel  string   `json:"channel"`
	Now      string   `json:"now"`
	Value    *float64 `json:"value"`
	Limit    float64  `json:"limit"`
	Headroom *float64 `json:"headroom"`
	Unit     string   `json:"unit"`
	Stop     string   `json:"stop"`
	Caution  bool     `json:"caution"`
	Demand   bool     `json:"demand"`
	Missing  bool     `json:"missing"`
	InForce  bool     `json:"in_force"`
	RestsOn  string   `json:"rests_on"`
}

// ChannelStatus is one channel's last reading.
type ChannelStatus struct {
	Channel string   `json:"channel"`
	Value   *float64 `json:"value"`
	Unit    string   `json:"unit"`
	Cause   string   `json:"cause,omitempty"`
	AgeS    *float64 `json:"age_s"`
}

// LoopStatus is how the loop runs.
type LoopStatus struct {
	Turns       uint64  `json:"turns"`
	WorstGapS   float64 `json:"worst_gap_s"`
	Dropped     uint64  `json:"chunks_dropped"`
	LostRecords uint64  `json:"records_lost"`
}

// LinkStatus is what was heard.
type LinkStatus struct {
	Frames       uint64 `json:"frames"`
	OtherSenders uint64 `json:"other_senders"`
	WrongAddress uint64 `json:"wrong_address"`
	UnknownIDs   uint64 `json:"unknown_ids"`
	BadBytes     uint64 `json:"bad_bytes"`
}

// Sentence is the state in one plain sentence, for the largest letters on any
// screen.
func Sentence(v *interlock.View) string {
	switch v.State {
	case interlock.Ready:
		return "READY. Relay open. Everybody clear, then start."
	case interlock.Closing:
		return "CLOSING. Stand clear: power comes on after the horn."
	case interlock.Live:
		return "LIVE. Power can reach the rotors."
	case interlock.Lowering:
		return "BRING IT DOWN. Power goes off when down, or when time is up."
	case interlock.Tripped:
		if v.KeepOut {
			return "TRIPPED. Relay open. KEEP OUT until disarmed and the rotors stand."
		}
		return "TRIPPED. Relay open."
	case interlock.Fault:
		if v.Why == interlock.ReasonPowerRemains || v.Why == interlock.ReasonReadbackClosed {
			return "POWER NOT REMOVED: use the hard-wired stop."
		}
		return "FAULT. Relay commanded open. Trust only the hard-wired stop."
	}
	if v.Duty == interlock.Watch {
		if v.Standing > 0 {
			return "WATCHING ONLY. A LIMIT IS LEFT: act by hand."
		}
		return "WATCHING ONLY. This guard can not take power off."
	}
	return "RELAY OPEN: stay clear. Not ready."
}

func seconds(d time.Duration) float64 { return d.Seconds() }

func some(v float64) *float64 { return &v }

// status renders the last snapshot.
func (g *Guard) status() Status {
	s := &g.shot
	s.mu.Lock()
	defer s.mu.Unlock()
	env, v := g.env, &s.view
	out := Status{
		Schema: 1, Session: g.session.Info.Session, Folder: g.session.Dir, At: seconds(v.At), Duty: "watch", State: v.State.String(),
		SinceS: seconds(v.Since), Sentence: Sentence(v), Sound: v.Sound.String(), RelayOn: v.RelayOn, Closed: v.Closed,
		Armed: v.Armed, Airborne: v.Airborne, KeepOut: v.KeepOut, Trips: v.Trips, Kept: v.Kept,
		NotReady: []string{}, Rules: []RuleStatus{}, Channels: []ChannelStatus{}, Unseen: g.unseen, Trouble: []string{},
		Loop: LoopStatus{Turns: s.turns, WorstGapS: seconds(s.worst), Dropped: s.drops,
			LostRecords: g.keeper.lostChunks.Load() + g.keeper.lostDecisions.Load()},
		Link: linkStatus(s.counts), Declared: g.showDeclared(),
	}
	if v.Duty == interlock.Guard {
		out.Duty = "guard"
	}
	if v.Grace != rules.Never {
		out.GraceLeft = some(seconds(max(0, v.Grace-v.At)))
	}
	if v.First.Kind != 0 {
		out.FirstCause = FirstCause(env, v.First)
	}
	if v.State != interlock.Live && v.State != interlock.Lowering {
		for _, u := range v.Unmet {
			if due := g.dueTests(); u.Need == interlock.NeedProof && len(due) > 0 {
				out.NotReady = append(out.NotReady, due...)
				continue
			}
			if asks := g.cardAsks(); u.Need == interlock.NeedCard && len(asks) > 0 {
				out.NotReady = append(out.NotReady, asks...)
				continue
			}
			out.NotReady = append(out.NotReady, v.Say(env, u))
		}
	}
	for i := range v.Rules {
		out.Rules = append(out.Rules, g.ruleStatus(v, i))
	}
	for i, id := range shownChannels {
		r := s.table[i]
		if r.Quality == rules.Missing && r.Cause == rules.NoCause {
			continue
		}
		c := ChannelStatus{Channel: id.String(), Unit: rules.SIUnit(id.Channel().Kind), Cause: r.Cause.String(), AgeS: some(seconds(v.At - r.At))}
		if r.Quality != rules.Missing {
			c.Value = some(r.Value)
		}
		out.Channels = append(out.Channels, c)
	}
	if t := g.keeper.trouble.Load(); t != nil {
		out.Trouble = append(out.Trouble, *t)
	}
	if s.output != nil {
		out.Trouble = append(out.Trouble, "outputs: "+s.output.Error())
	}
	g.signingStatus(&out)
	if n := out.Loop.LostRecords; n > 0 {
		out.Trouble = append(out.Trouble, "records were lost: the disk was too slow or full")
	}
	return out
}

func linkStatus(c intake.Counts) (out LinkStatus) {
	for _, l := range c.Links {
		out.Frames += l.Frames
		out.OtherSenders += l.Others
		out.WrongAddress += l.WrongAddress
		out.UnknownIDs += l.UnknownIDs
		out.BadBytes += l.BadBytes
	}
	return out
}

func (g *Guard) ruleStatus(v *interlock.View, i int) RuleStatus {
	rule, now := &g.env.Rules[i], &v.Rules[i]
	kind := rule.Watch.Channel().Kind
	if rule.Form == rules.RisingFaster || rule.Form == rules.FallingFaster {
		kind = kind.Rate()
	}
	out := RuleStatus{Name: rule.Name, Channel: rule.Watch.String(), Now: v.RuleNow(g.env, i), Limit: rule.Limit,
		Unit: rules.SIUnit(kind), Stop: rule.Stop.String(), Caution: now.Caution, Demand: now.Demand,
		Missing: now.Missing, InForce: now.InForce, RestsOn: g.pad.Fed(rule.Watch).String()}
	if now.HasValue {
		out.Value, out.Headroom = some(now.Value), some(now.Headroom)
	}
	return out
}

// FirstCause is a trip in a few words.
func FirstCause(env *rules.Envelope, f interlock.Effect) string {
	if f.Rule < 0 {
		return f.Reason.String()
	}
	rule := &env.Rules[f.Rule]
	text := rule.Name + ": " + f.Reason.String()
	if f.Reason == interlock.ReasonRuleMissing {
		return text + ", " + rule.Watch.String() + " " + f.Cause.String()
	}
	if f.HasValue {
		value, limit := rules.Format(f.Value, rule.Unit), rules.Format(f.Limit, rule.Unit)
		if value == limit {
			return text + ", just past " + limit
		}
		text += ", " + value + " against " + limit
	}
	return text
}

// Line is what an effect is worth telling in one line, such as on a terminal;
// ok is false for what is not.
func Line(env *rules.Envelope, f interlock.Effect) (line string, ok bool) {
	at := fmt.Sprintf("%9.2f s  ", f.At.Seconds())
	switch f.Kind {
	case interlock.StateEffect:
		return at + strings.ToUpper(f.State.String()) + ": " + f.Reason.String(), f.From != f.State
	case interlock.TripEffect:
		first := ""
		if f.FirstOut {
			first = ", first cause"
		}
		return at + fmt.Sprintf("TRIP %d (%s stop%s): %s", f.Trip, f.Stop, first, FirstCause(env, f)), true
	case interlock.CautionEffect:
		if !f.On {
			return "", false
		}
		return at + "caution: " + FirstCause(env, f), true
	}
	return "", false
}
