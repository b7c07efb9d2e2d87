package guard

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/limits"
	"downhaul/rules"
)

// snapshot is what the loop copies for whoever asks. The loop never waits for
// it: while somebody copies it out, this round is left out.
type snapshot struct {
	mu sync.Mutex
	seen
	wind answers.WindRing // as old as the session, whoever looks
}

// seen is what can be seen of a loop at one time.
type seen struct {
	taken  bool
	view   interlock.View
	table  []limits.Reading // of shownChannels
	counts intake.Counts
	turns  uint64
	worst  time.Duration
	drops  uint64
	unkept uint64
	output error
	frames uint64        // of the craft so far
	heard  time.Duration // when the last of them was seen here
	past   recent
}

// take copies what can be seen of the loop, on the loop's own goroutine. It reports
// false when somebody is copying it out at this moment.
func (s *snapshot) take(l *Loop) bool {
	drops := l.Dropped() // has a lock of its own
	if !s.mu.TryLock() {
		return false
	}
	defer s.mu.Unlock()
	s.taken = true
	l.cfg.Engine.View(&s.view)
	s.table = s.table[:0]
	for _, id := range shownChannels {
		s.table = append(s.table, l.cfg.Engine.Reading(id))
	}
	l.cfg.Intake.CountsTo(&s.counts)
	if n := linkStatus(s.counts, 0).Frames; n != s.frames {
		s.frames, s.heard = n, s.view.At
	}
	s.past = l.past
	if speed := l.cfg.Engine.Reading(rules.WindSpeed); speed.Quality == rules.Good {
		gust := l.cfg.Engine.Reading(rules.Gust)
		s.wind.Take(s.view.At, speed.Value, gust.Value, gust.Quality == rules.Good)
	}
	s.turns, s.worst, s.drops, s.unkept, s.output = l.turns, l.worst, drops, l.unkeptAll, l.outputErr
	return true
}

// copied returns a copy that shares nothing with the snapshot: whoever renders a
// status holds no lock while it asks others.
func (s *snapshot) copied() *seen {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := s.seen
	v := &out.view
	v.Unmet, v.Rules, v.Permissives, v.Holds = slices.Clone(v.Unmet), slices.Clone(v.Rules), slices.Clone(v.Permissives), slices.Clone(v.Holds)
	v.Signs = slices.Clone(v.Signs)
	out.table, out.counts.Links = slices.Clone(out.table), slices.Clone(out.counts.Links)
	return &out
}

// silentAfter is how long a craft is not heard until people are told of it; a
// second source of the same word would only flicker.
const silentAfter = 2 * time.Second

// silence returns what to say of a craft that is not heard, empty while it is.
// That the guard runs is said with it: a silent craft and a guard that stands
// still look alike on a screen.
func (s *seen) silence() string {
	switch silent := s.view.At - s.heard; {
	case s.frames == 0 && s.view.At > silentAfter:
		return "Craft not heard yet. The guard is running: look at the craft's power and its link."
	case s.frames > 0 && silent > silentAfter:
		return fmt.Sprintf("Craft not heard for %.0f s. The guard is running: look at the craft's power and its link.", silent.Seconds())
	}
	return ""
}

func seconds(d time.Duration) float64 { return d.Seconds() }

func some(v float64) *float64 { return &v }

// State returns the state that Status would tell, without the rest of it.
func (g *Guard) State() string {
	g.shot.mu.Lock()
	defer g.shot.mu.Unlock()
	return g.shot.view.State.String()
}

// Status renders the last snapshot: what the guard shows.
func (g *Guard) Status() answers.Status {
	s := g.shot.copied()
	env, v := g.env, &s.view
	out := answers.Status{
		Schema: answers.StatusSchema, Session: g.session.Info.Session, Folder: g.session.Dir, Mark: g.session.Info.Mark, Title: env.Title, At: seconds(v.At),
		AgeS: seconds(max(0, g.now()-v.At)), Duty: "watch", State: v.State.String(), SinceS: seconds(v.Since),
		Sentence: Sentence(v), Meaning: Meaning(v), DoNow: DoNow(v, env), Sound: v.Sound.String(), Silenced: v.Hushed,
		RelayOn: v.RelayOn, Closed: v.Closed, Armed: v.Armed, Airborne: v.Airborne, KeepOut: v.KeepOut, Trips: v.Trips, Kept: v.Kept,
		Causes: s.causes(env), NotReady: []string{}, Permissives: s.permissives(env), Acts: g.acts(&s.past),
		Rules: []answers.RuleStatus{}, Channels: s.channels(env), Unseen: g.unseen, Trouble: []string{},
		Loop: answers.LoopStatus{Turns: s.turns, WorstGapS: seconds(s.worst), Dropped: s.drops,
			LostRecords: g.keeper.lostChunks.Load() + g.keeper.lostDecisions.Load()},
		Link: linkStatus(s.counts, s.unkept), Declared: g.showDeclared(), Counted: g.counted(),
	}
	if v.Flash != rules.Never {
		out.Flash = &answers.FlashStatus{At: seconds(v.Flash), AgoS: seconds(v.At - v.Flash), State: v.FlashState.String()}
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
	if text := s.silence(); text != "" {
		out.DoNow = append(out.DoNow, text)
	}
	out.NotReady = g.notReady(v)
	for i := range v.Rules {
		out.Rules = append(out.Rules, g.ruleStatus(v, i))
	}
	if t := g.keeper.gone.Load(); t != nil {
		out.Trouble = append(out.Trouble, *t)
	}
	if t := g.keeper.trouble.Load(); t != nil {
		out.Trouble = append(out.Trouble, *t)
	}
	if s.output != nil {
		out.Trouble = append(out.Trouble, "outputs: "+s.output.Error())
	}
	if s.frames > 0 {
		out.Link.SilentS = some(seconds(v.At - s.heard))
	}
	g.signingStatus(&out)
	if n := out.Loop.LostRecords; n > 0 {
		out.Trouble = append(out.Trouble, "records were lost: the disk was too slow or full")
	}
	return out
}

func linkStatus(c intake.Counts, unkept uint64) (out answers.LinkStatus) {
	out.Unkept = unkept
	for _, l := range c.Links {
		out.Frames += l.Frames
		out.OtherSenders += l.Others
		out.WrongAddress += l.WrongAddress
		out.Repeated += l.Repeated
		out.UnknownIDs += l.UnknownIDs
		out.BadBytes += l.BadBytes
	}
	return out
}

func (g *Guard) ruleStatus(v *interlock.View, i int) answers.RuleStatus {
	rule, now := &g.env.Rules[i], &v.Rules[i]
	kind := rule.Watch.Channel().Kind
	if rule.Form == rules.RisingFaster || rule.Form == rules.FallingFaster {
		kind = kind.Rate()
	}
	out := answers.RuleStatus{Name: rule.Name, Channel: rule.Watch.String(), Now: v.RuleNow(g.env, i), Limit: rule.Limit,
		Unit: rules.SIUnit(kind), Stop: rule.Stop.String(), Caution: now.Caution, Demand: now.Demand,
		Missing: now.Missing, InForce: now.InForce, RestsOn: g.pad.Fed(rule.Watch).String()}
	out.LimitText = rules.FormatExact(rule.Limit, rule.Unit)
	if rule.Form == rules.Outside {
		out.LimitText += " to " + rules.FormatExact(rule.LimitHigh, rule.Unit)
	}
	if now.HasValue {
		out.Value, out.Headroom = some(now.Value), some(now.Headroom)
		out.ValueText, out.HeadroomText = rules.Format(now.Value, rule.Unit), rules.FormatDifference(now.Headroom, rule.Unit)
	}
	return out
}

// FirstCause returns a trip, or a caution, in a few words.
func FirstCause(env *rules.Envelope, f interlock.Effect) string {
	lasted := fmt.Sprintf("%v for %.1f s", f.Reason, f.Lasted.Seconds())
	switch {
	case f.Rule >= 0:
	case f.Reason == interlock.ReasonThenSilent:
		return f.Channel.String() + " " + rules.Format(f.Value, rules.DefaultUnit(f.Channel.Channel().Kind, env.Units)) + ", " + lasted
	case f.Lasted > 0:
		return lasted
	default:
		return f.Reason.String()
	}
	rule := &env.Rules[f.Rule]
	value, limit := rules.Format(f.Value, rule.Unit), rules.Format(f.Limit, rule.Unit)
	switch {
	case f.Reason == interlock.ReasonRuleMissing:
		return rule.Name + ": " + f.Reason.String() + ", " + rule.Watch.String() + " " + f.Cause.String()
	case f.Reason == interlock.ReasonThenSilent && !f.HasValue:
		return rule.Name + ": " + rule.Watch.String() + " " + f.Cause.String() + ", " + lasted
	case f.Reason == interlock.ReasonThenSilent:
		return rule.Name + ": " + value + " against " + limit + ", " + lasted
	case !f.HasValue:
		return rule.Name + " past its limit"
	case f.Kind == interlock.CautionEffect:
		return rule.Name + " near its limit: " + value + ", caution from " + limit
	case value == limit:
		return rule.Name + " past its limit: just past " + limit
	}
	return rule.Name + " past its limit: " + value + ", limit " + limit
}

// Because returns a reason as people say it.
func Because(r interlock.Reason) string {
	if r == interlock.ReasonRule {
		return "past a limit"
	}
	return r.String()
}

// Line is what an effect is worth telling in one line, such as on a terminal;
// ok is false for what is not.
func Line(env *rules.Envelope, f interlock.Effect) (line string, ok bool) {
	at := fmt.Sprintf("%9.2f s  ", f.At.Seconds())
	switch f.Kind {
	case interlock.StateEffect:
		return at + strings.ToUpper(f.State.String()) + ": " + Because(f.Reason), f.From != f.State
	case interlock.TripEffect:
		first := ""
		if f.FirstOut {
			first = ", first cause"
		}
		return at + fmt.Sprintf("TRIP %d (%s stop%s): %s", f.Trip, f.Stop, first, FirstCause(env, f)), true
	case interlock.ConsequenceEffect:
		return at + fmt.Sprintf("part of trip %d (%s stop): %s", f.Trip, f.Stop, FirstCause(env, f)), true
	case interlock.CautionEffect:
		if !f.On {
			return "", false
		}
		return at + "caution: " + FirstCause(env, f), true
	}
	return "", false
}

// windPast returns what the snapshot remembers of the wind.
func (g *Guard) windPast() []answers.WindPast {
	g.shot.mu.Lock()
	wind, at := g.shot.wind, g.shot.view.At
	g.shot.mu.Unlock()
	return wind.Past(at)
}

// Dropped is how many chunks were dropped because the loop was too slow.
func (l *Loop) Dropped() uint64 { return l.inbox.dropped() }

// dropped is how many chunks were ever dropped.
func (b *inbox) dropped() uint64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.lost
}
