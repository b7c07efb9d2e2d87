package limits

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/rules"
)

// flat is limits of those rules on channels that are fed as they are, with what came up.
func flat(t *testing.T, env rules.Envelope, feeds ...rules.ChannelID) (*Limits, *phased) {
	t.Helper()
	var fed [rules.ChannelCount]rules.Origin
	for _, id := range feeds {
		fed[id] = rules.CraftSays
	}
	up := &phased{}
	l, err := New(up, &env, plain{}, &fed, time.Second, []rules.ChannelID{rules.Tension})
	if err != nil {
		t.Fatal(err)
	}
	up.l = l
	return l, up
}

// phased is a listener of which the phases can be told.
type phased struct {
	notes
	off  bool
	read []Result
}

func (p *phased) InForce(f rules.Phase) bool                        { return f == rules.Always || !p.off }
func (p *phased) Read(_ time.Duration, _ rules.ChannelID, r Result) { p.read = append(p.read, r) }
func good(v float64) Result                                         { return Result{Value: v, Quality: rules.Good} }
func doubted(v float64, why rules.Cause) Result {
	return Result{Value: v, Quality: rules.Doubtful, Cause: why}
}
func (p *phased) wants(t *testing.T, what string, want ...string) {
	t.Helper()
	if !slices.Equal(p.told, want) {
		t.Errorf("%s: told %q, want %q", what, p.told, want)
	}
	p.told = nil
}

// failing derives nothing, for it cannot.
type failing struct{ plain }

func (failing) Calculators(*rules.Envelope, func(rules.ChannelID) bool) ([]Calculator, error) {
	return nil, errors.New("no thrust stated")
}

func TestWhatAnEnvelopeMayWatch(t *testing.T) {
	for id, bad := range map[rules.ChannelID]bool{rules.NoChannel: true, 1: false, rules.ChannelCount - 1: false, rules.ChannelCount: true} {
		env := &rules.Envelope{Rules: []rules.Rule{{Name: "r", Watch: id, Form: rules.Above, StaleAfter: time.Second}}}
		var fed [rules.ChannelCount]rules.Origin
		l, err := New(&listener{}, env, plain{}, &fed, 0, nil)
		if (err != nil) != bad || bad && !strings.Contains(err.Error(), `"r" watches no known channel`) {
			t.Errorf("channel %d: %v", id, err)
		}
		if err == nil && (l.channels[id].shortest == rules.Never || l.channels[id].id != id || l.Feeds(id)) {
			t.Errorf("channel %d stands as %+v", id, l.channels[id])
		}
	}
	var fed [rules.ChannelCount]rules.Origin
	if _, err := New(&listener{}, &rules.Envelope{}, failing{}, &fed, 0, nil); err == nil || err.Error() != "limits: no thrust stated" {
		t.Errorf("%v", err)
	}
}

// A channel is needed for a start when a rule on it would stop for its being missing,
// and it is fed; a derived one when all that it rests on is.
func TestWhatAStartNeeds(t *testing.T) {
	for _, c := range []struct {
		stop rules.Stop
		when rules.WhenMissing
		fed  bool
		want bool
	}{
		{rules.Immediate, rules.MissingTrips, true, true}, {rules.Controlled, rules.MissingTrips, true, true}, {rules.NoStop, rules.MissingTrips, true, false},
		{rules.Controlled, rules.MissingCautions, true, false}, {rules.Immediate, rules.MissingTrips, false, false}, {rules.NoStop, rules.MissingCautions, false, false},
	} {
		var feeds []rules.ChannelID
		if c.fed {
			feeds = append(feeds, rules.Roll)
		}
		l, _ := flat(t, rules.Envelope{Rules: []rules.Rule{{Watch: rules.Roll, Form: rules.Above, Limit: 1, Stop: c.stop, WhenMissing: c.when, StaleAfter: time.Second}}}, feeds...)
		if got := slices.Equal(l.Needed(), []rules.ChannelID{rules.Roll}); got != c.want || l.Feeds(rules.Roll) != c.fed {
			t.Errorf("%+v: needed %v, fed %v", c, l.Needed(), l.Feeds(rules.Roll))
		}
		var w [rules.ChannelCount]bool
		if l.Want(&w); !w[rules.Roll] || w[rules.Pitch] {
			t.Errorf("%+v: wanted %v, %v", c, w[rules.Roll], w[rules.Pitch])
		}
	}
	env := &rules.Envelope{Rules: []rules.Rule{{Watch: rules.Tilt, Form: rules.Above, Limit: 1, Stop: rules.Immediate, StaleAfter: time.Second}}}
	for _, c := range [][]rules.ChannelID{{rules.Roll, rules.Pitch}, {rules.Roll}, {rules.Pitch}, {}} {
		var fed [rules.ChannelCount]rules.Origin
		for _, id := range c {
			fed[id] = rules.CraftSays
		}
		l, err := New(&listener{}, env, tilting{}, &fed, 0, nil)
		if err != nil || l.Feeds(rules.Tilt) != (len(c) == 2) {
			t.Errorf("fed %v: tilt %v, %v", c, l.Feeds(rules.Tilt), err)
		}
		var w [rules.ChannelCount]bool
		if l.Want(&w); !w[rules.Tilt] || !w[rules.Roll] || !w[rules.Pitch] || w[rules.Yaw] {
			t.Errorf("fed %v: not all that the tilt rests on is wanted", c)
		}
	}
	// What nobody works out rests on nothing, and nothing feeds it.
	if l, err := New(&listener{}, env, groundless{}, new([rules.ChannelCount]rules.Origin), 0, nil); err != nil || l.Feeds(rules.Tilt) || len(l.Needed()) > 0 {
		t.Errorf("a tilt of nothing: fed %v, needed %v, %v", l.Feeds(rules.Tilt), l.Needed(), err)
	}
}

// groundless works out nothing.
type groundless struct{ plain }

func (groundless) Needs(rules.ChannelID) []rules.ChannelID { return nil }

// A reading is fresh up to its age, and says why where it is not.
func TestFreshAtItsAge(t *testing.T) {
	var table Table
	table[rules.Roll] = Reading{At: time.Second, Value: 3, Quality: rules.Doubtful, Cause: rules.Frozen}
	table[rules.Pitch] = Reading{At: time.Second, Cause: rules.Sentinel}
	for _, c := range []struct {
		id   rules.ChannelID
		at   time.Duration
		want Reading
	}{
		{rules.Roll, 3 * time.Second, table[rules.Roll]}, {rules.Roll, 3*time.Second + 1, Reading{At: time.Second, Cause: rules.Stale}},
		{rules.Pitch, 9 * time.Second, table[rules.Pitch]}, {rules.Yaw, 0, Reading{Cause: rules.NeverHeard}},
	} {
		if got := table.Fresh(c.id, c.at, 2*time.Second); got != c.want {
			t.Errorf("%v at %v: %+v, want %+v", c.id, c.at, got, c.want)
		}
	}
	l, _ := flat(t, rules.Envelope{}, rules.Roll)
	l.Take(time.Second, rules.Roll, good(0.1))
	stale := rules.Roll.Stale()
	if a, b := l.Fresh(rules.Roll, time.Second+stale), l.Fresh(rules.Roll, time.Second+stale+1); a.Quality != rules.Good || b.Cause != rules.Stale {
		t.Errorf("%+v, a nanosecond later %+v", a, b)
	}
}

// Nothing is taken of a channel that is none; −0 is 0; a value that stands still is
// missing after the channel's own count where no rule watches it.
func TestWhatIsTaken(t *testing.T) {
	l, up := flat(t, rules.Envelope{}, rules.Roll, rules.Tension)
	before := *l
	for _, id := range []rules.ChannelID{rules.NoChannel, rules.ChannelCount, rules.ChannelCount + 1} {
		l.Take(0, id, good(1))
	}
	if l.table != before.table {
		t.Error("a channel that is none was taken")
	}
	l.Take(0, rules.Tension, good(math.Copysign(0, -1)))
	if r := l.Reading(rules.Tension); math.Signbit(r.Value) || r.Quality != rules.Good {
		t.Errorf("-0 stands as %+v", r)
	}
	l.Take(0, rules.Tension, doubted(math.Inf(-1), rules.NoCause))
	l.Take(0, rules.Tension, good(1e9))
	if want := []Result{good(0), {Cause: rules.NotANumber}, {Cause: rules.Implausible}}; !slices.Equal(up.read, want) {
		t.Errorf("up went %+v, want %+v", up.read, want)
	}
	for k := 1; k <= rules.Roll.Channel().FrozenAfter+1; k++ {
		l.Take(time.Duration(k), rules.Roll, good(0.5))
		if r := l.Reading(rules.Roll); (r.Cause == rules.Frozen) != (k >= rules.Roll.Channel().FrozenAfter) {
			t.Errorf("the same for the %dth time: %+v", k, r)
		}
	}
	l.Take(time.Second, rules.Roll, good(0.6))
	if r := l.Reading(rules.Roll); r.Quality != rules.Good {
		t.Errorf("it moves again: %+v", r)
	}
}

// What may be a calm or a cut wire cautions; it is borne as long as it may be a calm,
// and with nothing in the air also when it is long; it clears nothing.
func TestDoubtIsBorneAndClearsNothing(t *testing.T) {
	const s = time.Second
	env := rules.Envelope{Rules: []rules.Rule{{Watch: rules.WindSpeed, Form: rules.Above, Limit: 8, Stop: rules.Immediate, MissingStop: rules.Immediate, StaleAfter: 3 * s}}}
	for _, c := range []struct {
		name     string
		first    bool // a good value before
		why      rules.Cause
		grounded bool
		kept     bool
	}{
		{"may be cut", true, rules.MayBeCut, false, true}, {"silent for long, in the air", true, rules.SilentLong, false, false}, {"silent for long, on the ground", true, rules.SilentLong, true, true},
		{"another doubt", true, rules.Disagreement, true, false}, {"never heard before", false, rules.MayBeCut, true, false},
	} {
		l, up := flat(t, env, rules.WindSpeed)
		up.off = c.grounded
		if c.first {
			l.Take(0, rules.WindSpeed, good(5))
		}
		l.Take(2*s, rules.WindSpeed, doubted(0, c.why))
		if cautions := l.Rule(0).Cautions; cautions != (c.why != rules.Disagreement) {
			t.Errorf("%s: cautions %v", c.name, cautions)
		}
		told := len(up.told)
		if l.Take(2*s, rules.WindSpeed, doubted(0, c.why)); len(up.told) != told {
			t.Errorf("%s: told again %q", c.name, up.told[told:])
		}
		l.Fire(3 * s)
		if missing := l.Rule(0).Asks[ByMissing]; missing != (c.first && !c.kept) {
			t.Errorf("%s: missing after 3 s: %v", c.name, missing)
		}
		if c.kept {
			if l.Fire(5*s - 1); l.Rule(0).Asks[ByMissing] {
				t.Errorf("%s: missing before its time", c.name)
			}
			l.Fire(5 * s)
		}
		if !c.first {
			continue
		}
		if l.Take(6*s, rules.WindSpeed, doubted(0, rules.MayBeCut)); !l.Rule(0).Asks[ByMissing] || l.Health(rules.WindSpeed).Good == 6*s {
			t.Errorf("%s: a doubt cleared what was missing", c.name)
		}
		if l.Take(7*s, rules.WindSpeed, good(5)); l.Rule(0).Asks[ByMissing] || !l.Rule(0).Cautions {
			t.Errorf("%s: heard again, it asks %v, cautions %v", c.name, l.Rule(0).Asks, l.Rule(0).Cautions)
		}
		l.Take(9*s, rules.WindSpeed, good(5))
		over := !l.Rule(0).Cautions // heard for 2 s again
		l.Take(11*s, rules.WindSpeed, doubted(0, rules.MayBeCut))
		if l.Fire(12 * s); l.Rule(0).Asks[ByMissing] || !over {
			t.Errorf("%s: heard again, a doubt is borne no more", c.name)
		}
	}
	// Nor what is missing because its values come too seldom to give a rate.
	env.Rules[0].Form, env.Rules[0].Over, env.Rules[0].StaleAfter = rules.RisingFaster, s, 10*s
	l, _ := flat(t, env, rules.WindSpeed)
	for at := time.Duration(0); at <= 16*s; at += 4 * s {
		l.Take(at, rules.WindSpeed, good(5))
	}
	missing := l.Rule(0).Asks[ByMissing]
	if l.Take(17*s, rules.WindSpeed, doubted(0, rules.MayBeCut)); !missing || !l.Rule(0).Asks[ByMissing] || l.Health(rules.WindSpeed).Good != 16*s {
		t.Errorf("no rate: missing %v, and behind a doubt %v, good at %v", missing, l.Rule(0).Asks[ByMissing], l.Health(rules.WindSpeed).Good)
	}
}

// Why a rule's channel is missing: what was last told of it, else that it is old, else
// that its values come and give no rate.
func TestCauseOfAMissingChannel(t *testing.T) {
	const s = time.Second
	plain := rules.Rule{Watch: rules.SupplyVoltage, Form: rules.Above, Limit: 8, Stop: rules.Immediate, MissingStop: rules.Immediate, StaleAfter: 3 * s}
	rate := plain
	rate.Form, rate.Over = rules.RisingFaster, s
	for _, c := range []struct {
		name string
		rule rules.Rule
		do   func(l *Limits)
		at   time.Duration
		want rules.Cause
	}{
		{"well", plain, func(l *Limits) { l.Take(0, rules.SupplyVoltage, good(5)) }, s, rules.NoCause},
		{"told to be missing", plain, func(l *Limits) { l.Take(0, rules.SupplyVoltage, Result{Cause: rules.Sentinel}) }, s, rules.Sentinel},
		{"old", plain, func(l *Limits) { l.Take(0, rules.SupplyVoltage, good(5)); l.Fire(3 * s) }, 3 * s, rules.Stale},
		{"old, a rate", rate, func(l *Limits) { l.Take(0, rules.SupplyVoltage, good(5)); l.Fire(3 * s) }, 3 * s, rules.Stale},
		{"no rate", rate, func(l *Limits) {
			for at := time.Duration(0); at <= 10*s; at += 2500 * time.Millisecond { // farther apart than a rate bears
				l.Take(at, rules.SupplyVoltage, good(5))
			}
		}, 13*s - 1, rules.NotFilled},
		{"no rate, and then nothing", rate, func(l *Limits) {
			for at := time.Duration(0); at <= 10*s; at += 2600 * time.Millisecond {
				l.Take(at, rules.SupplyVoltage, good(5))
			}
		}, 7800*time.Millisecond + 3*s, rules.Stale},
	} {
		l, _ := flat(t, rules.Envelope{Rules: []rules.Rule{c.rule}}, rules.SupplyVoltage)
		c.do(l)
		if got := l.Cause(c.at, 0); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// However often it is heard, a channel stands once among those with a deadline.
func TestListsOfDeadlinesDoNotGrow(t *testing.T) {
	rule := rules.Rule{Watch: rules.Height, Form: rules.Above, Limit: 7, Stop: rules.Immediate, StaleAfter: time.Second, Lasting: time.Minute}
	l, _ := flat(t, rules.Envelope{Rules: []rules.Rule{rule}}, rules.Height)
	for k := range 50 {
		l.Take(time.Duration(k)*10, rules.Height, good(float64(5+3*(k%2))))
		l.Take(time.Duration(k)*10+5, rules.Height, good(5))
	}
	if len(l.awake) != 1 || len(l.waiting) != 1 {
		t.Errorf("%d channels and %d rules have a deadline", len(l.awake), len(l.waiting))
	}
	if l.ForgetHealth(); l.Health(rules.Height) != (Health{Heard: true, Good: 495, Since: rules.Never}) {
		t.Errorf("%+v", l.Health(rules.Height))
	}
}

// Several that act in one instant act in the order of the file, whatever channel they
// are on.
func TestOneInstantActsInTheOrderOfTheFile(t *testing.T) {
	of := func(id rules.ChannelID) rules.Rule {
		return rules.Rule{Watch: id, Form: rules.Above, Limit: 0.5, Stop: rules.Immediate, MissingStop: rules.Immediate, StaleAfter: time.Second, Lasting: time.Second}
	}
	l, up := flat(t, rules.Envelope{Rules: []rules.Rule{of(rules.Yaw), of(rules.Roll), of(rules.Pitch), of(rules.Roll), of(rules.Yaw)}}, rules.Roll, rules.Pitch, rules.Yaw)
	l.Take(0, rules.Pitch, good(1))
	l.Take(0, rules.Yaw, good(0))
	l.Take(0, rules.Roll, good(1))
	l.Fire(l.Due())
	var want []string
	for i, past := range []bool{false, true, true, true, false} {
		if past {
			want = append(want, asks(time.Second, i, ByValue, true))
		}
		want = append(want, asks(time.Second, i, ByMissing, true))
	}
	up.wants(t, "all at once", want...)
	l.Fire(l.Due())
	up.wants(t, "and once")
	if l.Due() != rules.Never || len(l.awake) != 0 || len(l.waiting) != 0 {
		t.Errorf("next at %v, %d channels awake, %d rules waiting", l.Due(), len(l.awake), len(l.waiting))
	}
}

// What has no deadline any more takes none of the others with it.
func TestDeadlinesOutliveEachOther(t *testing.T) {
	watch := []rules.ChannelID{rules.Roll, rules.Pitch, rules.Yaw}
	var env rules.Envelope
	var want []string
	for i, id := range watch {
		due := time.Duration(i+1) * time.Second
		env.Rules = append(env.Rules, rules.Rule{Watch: id, Form: rules.Above, Limit: 0.5, Stop: rules.Immediate, MissingStop: rules.Immediate, StaleAfter: due, Lasting: due})
		want = append(want, asks(due, i, ByValue, true), asks(due, i, ByMissing, true))
	}
	l, up := flat(t, env, watch...)
	for _, id := range watch {
		l.Take(0, id, good(1))
	}
	for due := l.Due(); due != rules.Never; due = l.Due() {
		l.Fire(due)
	}
	up.wants(t, "one after the other", want...)
}

// What was last told, not made by silence, had left its limit or its caution, until it
// is back by the deadband; what silence makes of it, and what comes behind a silence,
// changes nothing of that.
func TestWhatWasToldBeforeASilence(t *testing.T) {
	rule := rules.Rule{Watch: rules.Height, Form: rules.Above, Limit: 7, HasCaution: true, Caution: 5, Deadband: 1, Stop: rules.Immediate, StaleAfter: time.Second}
	for _, c := range []struct {
		name string
		told []Result
		left rules.Side
		v    float64
		back bool
	}{
		{"inside", []Result{good(3)}, rules.Inside, 0, true},
		{"past the caution", []Result{good(5.5)}, rules.InCaution, 5.5, true},
		{"not back from it by the deadband", []Result{good(5.5), good(4.5)}, rules.InCaution, 5.5, true},
		{"back from it", []Result{good(5.5), good(4)}, rules.Inside, 5.5, true},
		{"back from it in doubt", []Result{good(5.5), doubted(4, rules.Disagreement)}, rules.InCaution, 5.5, true},
		{"past the limit", []Result{good(7.5)}, rules.Beyond, 7.5, false},
		{"not back from it by the deadband", []Result{good(7.5), good(6.5)}, rules.Beyond, 7.5, false},
		{"back from it", []Result{good(7.5), good(6)}, rules.InCaution, 6, true},
		{"past it again", []Result{good(7.5), good(6), good(8)}, rules.Beyond, 8, true},
		{"past it in doubt", []Result{doubted(7.5, rules.Disagreement)}, rules.Beyond, 7.5, false},
		{"what silence makes of it", []Result{good(3), doubted(9, rules.Stale)}, rules.Inside, 0, true},
	} {
		l, _ := flat(t, rules.Envelope{Rules: []rules.Rule{rule}}, rules.Height)
		l.ToldUntil(time.Second)
		for k, r := range c.told {
			l.Take(time.Duration(k), rules.Height, r)
		}
		if got := l.Rule(0); got.Left != c.left || got.Told != c.v || got.Back != c.back {
			t.Errorf("%s, %+v: left %v at %v, back %v; want %v, %v, %v", c.name, c.told, got.Left, got.Told, got.Back, c.left, c.v, c.back)
		}
		if l.Named(0); l.Rule(0).Back {
			t.Errorf("%s: named, and back", c.name)
		}
	}
	for at, want := range map[time.Duration]rules.Side{time.Second - 1: rules.Beyond, time.Second: rules.Inside} {
		l, _ := flat(t, rules.Envelope{Rules: []rules.Rule{rule}}, rules.Height)
		l.ToldUntil(time.Second)
		if l.Take(at, rules.Height, good(9)); l.Rule(0).Left != want {
			t.Errorf("told at %v: %v", at, l.Rule(0).Left)
		}
	}
}

// Each value that a rule in force looked at is told with its instant, and no other.
func TestJudgedIsWhatARuleInForceLookedAt(t *testing.T) {
	l, up := flat(t, rules.Envelope{Rules: []rules.Rule{{Watch: rules.Height, Form: rules.Above, Limit: 7, While: rules.Airborne, StaleAfter: time.Second}}}, rules.Height)
	l.Take(1, rules.Height, good(6)) // nobody asks for it
	var got []string
	l.WhenJudged(func(at time.Duration, i int, v float64) { got = append(got, fmt.Sprint(at, i, v)) })
	up.off = true
	l.Take(2, rules.Height, good(6))
	up.off = false
	l.Take(3, rules.Height, good(4))
	l.Take(4, rules.Height, doubted(5, rules.Disagreement))
	l.Take(5, rules.Height, Result{Cause: rules.Sentinel})
	if want := []string{fmt.Sprint(time.Duration(3), 0, 4.0), fmt.Sprint(time.Duration(4), 0, 5.0)}; !slices.Equal(got, want) {
		t.Errorf("judged %q, want %q", got, want)
	}
}

// turns is a calculator that tells what it was asked.
type turns struct {
	trigger, output rules.ChannelID
	due             time.Duration
	log             *[]string
	reaction        time.Duration
}

func (c *turns) Trigger() rules.ChannelID { return c.trigger }
func (c *turns) Output() rules.ChannelID  { return c.output }
func (c *turns) Due() time.Duration       { return c.due }
func (c *turns) Clone() Calculator        { d := *c; return &d }
func (c *turns) Sample(at time.Duration, _ *Table) (Result, bool) {
	*c.log = append(*c.log, fmt.Sprintf("%v sample %v", at, c.output))
	return good(0), true
}
func (c *turns) Tick(at time.Duration, _ *Table) (Result, bool) {
	*c.log = append(*c.log, fmt.Sprintf("%v tick %v", at, c.output))
	if c.due == time.Second {
		c.due = 2 * time.Second // later it does not move on
	}
	return Result{}, false
}
func (c *turns) React(_, reaction time.Duration) { c.reaction, c.due = reaction, reaction }

// chained has calculators of its own, and tells what was asked for.
type chained struct {
	plain
	calcs  []Calculator
	wanted []rules.ChannelID
}

func (c *chained) Calculators(_ *rules.Envelope, wanted func(rules.ChannelID) bool) ([]Calculator, error) {
	for id := rules.ChannelID(1); id < rules.ChannelCount; id++ {
		if wanted(id) {
			c.wanted = append(c.wanted, id)
		}
	}
	return c.calcs, nil
}

// Calculators are asked as their triggers come, one after the other in the one call;
// at their deadline they tick, and one that does not move on is asked again a
// nanosecond later, not at once: that would never end.
func TestCalculatorsAreAskedInTurn(t *testing.T) {
	var log []string
	climb := &turns{rules.HeightGlobal, rules.Climb, rules.Never, &log, 0}
	apex := &turns{rules.Climb, rules.Apex, time.Second, &log, 0}
	how := &chained{calcs: []Calculator{apex, climb}}
	up := &phased{}
	fed := [rules.ChannelCount]rules.Origin{rules.HeightGlobal: rules.CraftSays, rules.Tension: rules.OwnSensor}
	env := &rules.Envelope{Rules: []rules.Rule{{Watch: rules.Apex, Form: rules.Above, Limit: 7, StaleAfter: 5 * time.Second}}}
	l, err := New(up, env, how, &fed, time.Minute, []rules.ChannelID{rules.Tension, rules.Roll})
	if err != nil {
		t.Fatal(err)
	}
	up.l = l
	if want := []rules.ChannelID{rules.Apex, rules.Tension}; !slices.Equal(how.wanted, want) && !slices.Equal(how.wanted, []rules.ChannelID{rules.Tension, rules.Apex}) {
		t.Errorf("asked for %v, want %v", how.wanted, want)
	}
	first, last := l.calcs[0].Trigger(), l.calcs[1].Trigger()
	if first > last || l.Due() != time.Second {
		t.Errorf("triggers %v and %v, due %v", first, last, l.Due())
	}
	up.next = rules.Never
	l.Take(0, rules.HeightGlobal, good(3))
	if want := []string{"0s sample craft.climb", "0s sample craft.apex"}; !slices.Equal(log, want) || up.next != time.Second {
		t.Errorf("asked %q, want %q; woken at %v", log, want, up.next)
	}
	log = nil
	l.Fire(time.Second)
	if l.Due() != 2*time.Second {
		t.Errorf("it moved on, due %v", l.Due())
	}
	l.Fire(2 * time.Second)
	if want := []string{"1s tick craft.apex", "2s tick craft.apex"}; !slices.Equal(log, want) || l.Due() != 2*time.Second+1 {
		t.Errorf("ticks %q, want %q; due %v", log, want, l.Due())
	}
	up.next = rules.Never
	if l.Expect(2*time.Second, 5*time.Second); apex.reaction != 5*time.Second || climb.reaction != 5*time.Second || up.next != 5*time.Second {
		t.Errorf("reactions %v and %v, woken at %v", apex.reaction, climb.reaction, up.next)
	}
	before := l.Reading(rules.Climb)
	l.Break()
	log = nil
	if l.Take(3*time.Second, rules.HeightGlobal, good(4)); len(log) != 0 || l.Reading(rules.Climb) != before {
		t.Errorf("broken, it asks %q, and the climb stands as %+v", log, l.Reading(rules.Climb))
	}
}
