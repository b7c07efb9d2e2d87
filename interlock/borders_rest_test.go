package interlock

import (
	"math"
	"slices"
	"testing"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// Values and times at exactly their border, one step before it and one past it, where
// borders_test.go holds the phases and what stands in the way of a start. The figures
// are the plan's; which side the border itself belongs to is what these hold.

func goodly(v float64) limits.Result { return limits.Result{Value: v, Quality: rules.Good} }

// A step on the ground begins with the tie-down's least pull, told 0.3 s ago; not with
// less, nor with an older one.
func TestAStepOnTheGroundBeginsAtItsBorders(t *testing.T) {
	const old = 300 * time.Millisecond
	for _, c := range []struct {
		pull limits.Result
		age  time.Duration
		want Reason
	}{
		{goodly(50), 0, NoReason}, {goodly(math.Nextafter(50, 0)), 0, ReasonTieDown}, {goodly(50), old, NoReason}, {goodly(50), old + 1, ReasonGroundUnseen},
		{limits.Result{Value: 60, Quality: rules.Doubtful}, 0, ReasonGroundUnseen}, {limits.Result{Cause: rules.Sentinel}, 0, ReasonGroundUnseen},
	} {
		e := busyRig(t).e
		e.ground = groundStep{on: true, least: 50}
		e.limits.Take(0, rules.Tension, c.pull)
		e.limits.Take(c.age, rules.Height, goodly(0.25))
		if got := e.groundBegins(c.age); got != c.want {
			t.Errorf("a pull of %v, told %v ago: %v, want %v", c.pull, c.age, got, c.want)
		}
		if c.want == NoReason && (e.onGround.stood != 0.25 || e.timers[timerGroundHeight] != c.age+old || e.timers[timerGroundPull] != c.age+old) {
			t.Errorf("told %v ago: it stood at %v m, seen until %v and %v", c.age, e.onGround.stood, e.timers[timerGroundHeight], e.timers[timerGroundPull])
		}
	}
}

// While it runs, one metre above where the craft stood is not off the ground, and the
// least pull is not slack. What is in doubt keeps nothing fresh and ends no slack; what
// is missing says nothing. With the opening all of it ends.
func TestAStepOnTheGroundRunsAtItsBorders(t *testing.T) {
	base := bases(t)[1]
	running := func() *Engine {
		e := base.twin(t).e
		e.onGround = groundRun{groundStep{on: true, least: 50}, 0.25}
		return e
	}
	for height, want := range map[float64]State{1.25: Live, math.Nextafter(1.25, 2): Tripped} {
		e := running()
		if e.groundHeight(e.now, height, rules.Good); e.latch.state != want || want == Tripped && e.latch.why != ReasonLeftGround {
			t.Errorf("at %v m: %v by %v, want %v", height, e.latch.state, e.latch.why, want)
		}
	}
	e := running()
	at := e.now
	slack := func(v float64, q rules.Quality, from, want time.Duration) {
		t.Helper()
		if e.groundPull(from, v, q); e.timers[timerSlack] != want {
			t.Errorf("a pull of %v N, quality %d: slack until %v, want %v", v, q, e.timers[timerSlack], want)
		}
	}
	slack(50, rules.Good, at, rules.Never)
	slack(math.Nextafter(50, 0), rules.Good, at+1, at+1+slackFor)
	slack(0, rules.Good, at+2, at+1+slackFor)
	slack(60, rules.Doubtful, at+3, at+1+slackFor)
	slack(60, rules.Missing, at+3, at+1+slackFor)
	if e.timers[timerGroundPull] != at+2+pullSilence {
		t.Errorf("the pull is seen until %v, want %v", e.timers[timerGroundPull], at+2+pullSilence)
	}
	slack(60, rules.Good, at+4, rules.Never)
	slack(10, rules.Doubtful, at+5, at+5+slackFor) // in doubt, and slack all the same
	e.groundHeight(at+6, 0, rules.Good)
	e.groundHeight(at+7, 0, rules.Doubtful)
	e.groundHeight(at+8, 9, rules.Missing)
	if e.timers[timerGroundHeight] != at+6+rules.Height.Stale() || e.latch.state != Live {
		t.Errorf("the height is seen until %v, want %v; %v", e.timers[timerGroundHeight], at+6+rules.Height.Stale(), e.latch.state)
	}
	if e.opened(); e.onGround != (groundRun{}) || e.runs(timerGroundHeight) || e.runs(timerGroundPull) || e.runs(timerSlack) {
		t.Errorf("opened, and it goes on: %+v, %v", e.onGround, e.timers)
	}
}

// What counts as a current that flows, as a rotor that stands and as the current of
// before: the border itself is on the side of standing still.
func TestCurrentsAndRotorsAtTheirBorders(t *testing.T) {
	const idle, stands = 5, 1
	for _, c := range []struct {
		id           rules.ChannelID
		amps, rotor  float64
		closed       bool
		flows        bool
		atRest, then float64
	}{
		{rules.SupplyCurrent, idle, stands, false, false, idle, 0}, {rules.Pack1Current, idle, stands, false, false, idle, 0},
		{rules.Pack4Current, 2, stands, false, false, 2, 0},
		{rules.SupplyCurrent, 2, math.Nextafter(stands, 2), false, false, 0, 0},
		{rules.SupplyCurrent, idle, stands, true, false, 0, 0},
		{rules.SupplyCurrent, math.Nextafter(idle, 6), stands, true, true, 0, 0},
		{rules.SupplyCurrent, math.Nextafter(idle, 6), stands, false, false, 0, 0},
	} {
		e := busyRig(t, func(s *Site) { s.IdleCurrent = idle }).e
		e.limits.Take(0, rules.Motor1Speed, goodly(c.rotor))
		e.latch.closed = c.closed
		e.currentSeen(0, c.id, goodly(c.amps))
		if i := slices.Index(currents[:], c.id); e.flowSeen != c.flows || e.atRest[i] != c.atRest {
			t.Errorf("%v of %v A at %v Hz, chain closed %v: flows %v, at rest %v A; want %v, %v", c.id, c.amps, c.rotor, c.closed, e.flowSeen, e.atRest[i], c.flows, c.atRest)
		}
		if got, want := e.still(0, false), c.rotor <= stands; got != want || e.rotorTurns(0, stands) == want {
			t.Errorf("a rotor at %v Hz stands: %v", c.rotor, got)
		}
	}
	// A current past the range of its field flows for as long as its channel is fresh.
	e := busyRig(t, func(s *Site) { s.IdleCurrent = idle }).e
	e.limits.Take(0, rules.Pack1Current, limits.Result{Cause: rules.OutOfRange})
	if stale := rules.Pack1Current.Stale(); !e.powerRemains(stale) || e.powerRemains(stale+1) {
		t.Errorf("past its field %v ago: %v, and a nanosecond more: %v", stale, e.powerRemains(stale), e.powerRemains(stale+1))
	}
	for amps, want := range map[float64]bool{idle: false, math.Nextafter(idle, 6): true} {
		e.limits.Take(0, rules.Pack1Current, goodly(amps))
		if got := e.powerRemains(0); got != want {
			t.Errorf("%v A with the chain open are power that remains: %v", amps, got)
		}
	}
}

// After a silence of the lines, one that was read as long ago as a silence lasts is
// not read in time; a nanosecond less, and all of them are known.
func TestLinesAreKnownAgainAtTheBorder(t *testing.T) {
	for _, c := range []struct {
		apart time.Duration
		want  bool
	}{{-1, true}, {0, false}, {1, false}} {
		r := bases(t)[1].twin(t)
		e := r.e
		from := e.now + time.Second
		if e.Advance(from); e.latch.pinsKnown || e.latch.state != Tripped {
			t.Fatalf("nothing read for a second: %v", e.latch.state)
		}
		e.Step(from, &Input{Kind: LineInput, Line: EStopA, On: true})
		told := 0
		for l := EStopB; l < LineCount; l++ {
			for _, f := range e.Step(from+e.site.PinStale+c.apart, &Input{Kind: LineInput, Line: l, On: r.lines[l]}) {
				if f.Reason == ReasonPinsSilent {
					told++ // again, of a silence that has not ended
				}
			}
		}
		if e.latch.pinsKnown != c.want || told != 0 {
			t.Errorf("read %v apart: known %v, told %d times to be silent", e.site.PinStale+c.apart, e.latch.pinsKnown, told)
		}
	}
}

// Where nobody states the watchdog's time, no stall says that it does not work.
func TestAStallSaysNothingOfAWatchdogThatIsNotStated(t *testing.T) {
	r := bases(t)[1].twin(t)
	r.now += time.Minute
	r.step(Input{Kind: HostInput, Host: HostHeldUp, On: true, Seq: 60_000})
	r.change = r.now + 150*time.Millisecond // by the relay
	r.set(rules.Motor1Speed, 0, rules.Good)
	r.set(rules.Motor1Output, 0, rules.Good)
	if r.run(time.Second); r.e.latch.state != Tripped || r.e.latch.why != ReasonStalled {
		t.Errorf("%v by %v, want tripped by the stall", r.e.latch.state, r.e.latch.why)
	}
}

// A mirror contact that closes in the instant in which the lines are read again, while
// the contactor may still be letting go, gets no further time for that.
func TestAMirrorThatClosesAsItIsReadAgainGetsNoMoreTime(t *testing.T) {
	r := bases(t)[1].twin(t)
	r.lines[EStopA], r.lines[EStopB] = false, false
	r.run(60 * time.Millisecond) // the contactor has let go
	opened := r.e.latch.since
	r.pins = false
	r.run(50 * time.Millisecond)
	if r.e.latch.pinsKnown || r.lines[Readback] {
		t.Fatalf("lines known %v, mirror closed %v", r.e.latch.pinsKnown, r.lines[Readback])
	}
	r.pins, r.lines[Readback] = true, true
	r.run(opened + r.e.site.DropOut - r.now - r.tick)
	if r.e.latch.state != Tripped {
		t.Fatalf("%v by %v before its time is over", r.e.latch.state, r.e.latch.why)
	}
	if r.run(2 * r.tick); r.e.latch.state != Fault || r.e.latch.why != ReasonPowerRemains {
		t.Errorf("%v by %v, want the fault %v after the opening", r.e.latch.state, r.e.latch.why, r.e.site.DropOut)
	}
}

// A climb at the most that may be, as the lowering begins, is no climbing.
func TestAClimbAtItsLimitAsTheLoweringBegins(t *testing.T) {
	for climb, want := range map[float64]bool{climbLimit: false, math.Nextafter(climbLimit, 1): true} {
		e := bases(t)[1].twin(t).e
		e.limits.Take(e.now, rules.Climb, goodly(climb))
		if e.lowering(e.now); e.runs(timerClimb) != want || want && e.timers[timerClimb] != e.now+climbFor {
			t.Errorf("%v m/s as the lowering begins: climbing until %v", climb, e.timers[timerClimb])
		}
	}
}

// The silence of the craft is behind a channel that is missed from the moment on from
// which it is half of the time that the channel's value is old.
func TestASilenceIsBehindWhatItIsHalfOf(t *testing.T) {
	r := bases(t)[1].twin(t)
	e := r.e
	roll := slices.IndexFunc(e.env.Rules, func(r rules.Rule) bool { return r.Name == "roll" })
	good := e.limits.Health(rules.Roll).Good
	_, stale := e.restsOn(ReasonRuleMissing, roll)
	for _, c := range []struct {
		frame, at time.Duration // since the last word
		want      bool
	}{
		{stale / 2, stale, true}, {stale/2 + 1, stale, false}, {stale, 2 * stale, true}, {stale + 1, 2 * stale, false}, {0, stale / 2, true}, {0, stale/2 - 1, false},
	} {
		e.lastFrame = good + c.frame
		if got := e.bySilence(good+c.at, ReasonRuleMissing, roll); got != c.want {
			t.Errorf("old for %v, a last frame %v behind it: by the silence %v", c.at, c.frame, got)
		}
	}
}

// The limit that is told with a value is the one on its side; a value at the lower one,
// that came back, was not past the upper one.
func TestTheLimitThatIsToldWithAValue(t *testing.T) {
	r := busyRig(t)
	r.quiet = false
	gust := slices.IndexFunc(r.e.env.Rules, func(r rules.Rule) bool { return r.Name == "gust" }) // outside 0.5 to 8, caution 1 to 6 m/s
	for _, c := range []struct {
		kind         EffectKind
		value, limit float64
	}{{ClearEffect, 0.5, 0.5}, {ClearEffect, 0.6, 8}, {ClearEffect, 0.4, 0.5}, {CautionEffect, 1, 1}, {CautionEffect, 1.1, 6}, {CautionEffect, 0.9, 1}} {
		r.e.limits.Take(0, rules.WindSpeed, goodly(c.value))
		if f := r.e.ruleEffect(c.kind, 0, gust, ReasonRule, true); f.Value != c.value || f.Limit != c.limit || !f.HasValue {
			t.Errorf("%v at %v: limit %v of %v, want %v", effectName[c.kind], c.value, f.Limit, f.Value, c.limit)
		}
	}
}

// What falls due in the very instant of an input stands in the same answer, and relay
// and heartbeat come first in it.
func TestRelayComesFirstInTheAnswer(t *testing.T) {
	r := bases(t)[1].twin(t)
	e := r.e
	due := e.lastFrame + 100*time.Millisecond + 1 // the caution of the link's age
	for at := e.now; at < due; at += 5 * time.Millisecond {
		for l := range LineCount {
			if e.site.Fitted[l] {
				e.Step(at, &Input{Kind: LineInput, Line: l, On: r.lines[l]})
			}
		}
		e.Step(at, &Input{Kind: SampleInput, Sample: Sample{Channel: rules.Tension, Value: 500, Quality: rules.Good}})
	}
	said := e.Step(due, &Input{Kind: LineInput, Line: EStopA})
	cautions := 0
	for _, f := range said {
		if f.Kind == CautionEffect && f.On {
			cautions++
		}
	}
	if cautions != 1 || said[0].Kind != RelayEffect || said[1].Kind != BeatEffect || said[0].On || said[1].On {
		t.Errorf("the answer is %v", said)
	}
}

// What fell due before an input stands in front of it in the answer, relay or not.
func TestWhatFellDueBeforeStandsInFront(t *testing.T) {
	e := bases(t)[1].twin(t).e
	e.disarm(timerLink)
	e.latch.disarm(timerPins)
	due := e.lastFrame + 100*time.Millisecond + 1 // the caution of the link's age
	e.limits.Take(due-time.Millisecond, rules.Tension, goodly(500))
	said := e.Step(due+time.Millisecond, &Input{Kind: LineInput, Line: EStopA})
	first := slices.IndexFunc(said, func(f Effect) bool { return f.Kind == CautionEffect })
	relay := slices.IndexFunc(said, func(f Effect) bool { return f.Kind == RelayEffect })
	if first < 0 || relay < first || said[first].At != due || said[relay].At != due+time.Millisecond {
		t.Errorf("the answer is %v", said)
	}
}

// What an instant ends with stands in front of what the next one brings, relay or not.
func TestWhatAnInstantEndsWithStandsInFront(t *testing.T) {
	e := bases(t)[1].twin(t).e
	at := e.now
	e.Step(at, &Input{Kind: LineInput, Line: End, On: true})
	said := e.Step(at+time.Millisecond, &Input{Kind: LineInput, Line: EStopA})
	lowers := slices.IndexFunc(said, func(f Effect) bool { return f.Kind == StateEffect && f.State == Lowering })
	relay := slices.IndexFunc(said, func(f Effect) bool { return f.Kind == RelayEffect })
	if lowers < 0 || relay < lowers || said[lowers].At != at || said[relay].At != at+time.Millisecond {
		t.Errorf("the answer is %v", said)
	}
}

// People see when the relay will close while it is about to, and at no other time; and
// when the lamp flashed last, and for what.
func TestViewTellsWhenItClosesAndFlashed(t *testing.T) {
	var v View
	r := closingRig(t)
	if r.e.View(&v); v.Closing != r.e.latch.since+r.e.site.Horn {
		t.Errorf("it closes at %v, want %v", v.Closing, r.e.latch.since+r.e.site.Horn)
	}
	if r.run(4 * time.Second); r.e.latch.state != Live {
		t.Fatalf("%v", r.e.latch.state)
	}
	if r.e.View(&v); v.Closing != rules.Never {
		t.Errorf("live, and it closes at %v", v.Closing)
	}
	if v.Flash != v.Since || v.FlashState != Live {
		t.Errorf("live since %v, and the lamp flashed at %v for %v", v.Since, v.Flash, v.FlashState)
	}
	r.step(Input{Kind: LineInput, Line: EStopA})
	if r.e.View(&v); v.Flash != r.e.now || v.FlashState != Tripped {
		t.Errorf("tripped at %v, and the lamp flashed at %v for %v", v.Since, v.Flash, v.FlashState)
	}
}

// A reset does not outlast the end of the guard, a stall or a second sender.
func TestAResetDoesNotOutlastWhatPasses(t *testing.T) {
	r := busyRig(t)
	r.run(100 * time.Millisecond)
	r.press(Reset, 300*time.Millisecond)
	if !r.e.latch.resetDone {
		t.Fatal("the reset was not taken")
	}
	for _, h := range []Host{HostEnd, HostStalled, HostClash} {
		r := r.twin(t)
		r.step(Input{Kind: HostInput, Host: h, On: true})
		if r.run(12 * time.Second); r.e.latch.resetDone || r.e.latch.state != Blocked {
			t.Errorf("host event %d: %v, reset made %v", h, r.e.latch.state, r.e.latch.resetDone)
		}
	}
}

// Records that are no longer kept take ready away at once, and give it back.
func TestReadyWaitsForTheRecords(t *testing.T) {
	for _, e := range exploreSeeds(t) {
		if e.latch.state != Ready {
			continue
		}
		e.latch.trips, e.latch.kept = 1, 1
		for seq, want := range []State{Blocked, Ready} {
			e.Step(e.now, &Input{Kind: HostInput, Host: HostKept, Seq: uint32(seq)})
			if e.Advance(e.now + 1); e.latch.state != want {
				t.Errorf("kept up to %d of 1: %v, want %v", seq, e.latch.state, want)
			}
		}
		return
	}
	t.Error("no guard was ready")
}

// The word "landed" that grows too old begins the agreement anew, though "disarmed"
// alone agrees as well.
func TestPromise13_AnOldWordOfLandedBeginsTheAgreementAnew(t *testing.T) {
	r := busyRig(t)
	r.fly()
	r.run(time.Second)
	r.land()
	r.run(r.tick)
	r.silence(rules.CraftLanded)
	if r.run(phaseAgreement + 100*time.Millisecond); !r.e.airborne {
		t.Error("the airborne phase was left by a word that was too old")
	}
	if r.run(rules.CraftLanded.Stale()); r.e.airborne {
		t.Error("disarmed for 3.5 s, and airborne")
	}
}

// What falls due in the very instant in which the loop goes on acts in that answer.
func TestWhatFallsDueAsTheLoopGoesOnActsAtOnce(t *testing.T) {
	for _, timer := range []string{"lines", "craft"} {
		e := bases(t)[1].twin(t).e
		at, length := e.timers[timerLink], e.site.LinkStale
		if timer == "lines" {
			at, length = e.latch.timers[timerPins], e.site.PinStale
		}
		e.Step(at, &Input{Kind: HostInput, Host: HostHeldUp, On: true, Seq: uint32(length / time.Millisecond)})
		why := map[string]Reason{"lines": ReasonPinsSilent, "craft": ReasonLink}[timer]
		if wrong := wrongAfter(e, e); wrong != "" || !e.latch.builtinListed[why] {
			t.Errorf("%s silent for %v as the loop goes on: that is listed %v; %s", timer, length, e.latch.builtinListed[why], wrong)
		}
	}
}
