package interlock

import (
	"testing"
	"time"

	"downhaul/rules"

	"pgregory.net/rapid"
)

// Lines may hang on several chips. Each is read in its own time here: that
// others are read never makes up for one that is not.
func TestALineThatIsNotReadIsNotAnsweredForByOthers(t *testing.T) {
	live := bases(t)[1]
	for silent := range LineCount {
		if !live.e.site.Fitted[silent] {
			continue
		}
		r := live.twin(t)
		last, opened := r.now, time.Duration(0)
		for at := r.now + time.Millisecond; at < last+time.Second && opened == 0; at += time.Millisecond {
			for l := range LineCount {
				if !r.e.site.Fitted[l] || l == silent {
					continue
				}
				for _, f := range r.e.Step(at, &Input{Kind: LineInput, Line: l, On: r.lines[l]}) {
					if f.Kind == StateEffect {
						opened = f.At
						if f.State != Tripped || f.Reason != ReasonPinsSilent {
							t.Errorf("%v not read: %v because of %v", silent, f.State, f.Reason)
						}
					}
					if f.Kind == NoteEffect && f.Reason == ReasonPinsSilent && f.Line != silent {
						t.Errorf("%v not read, told is %v", silent, f.Line)
					}
				}
			}
		}
		if opened-last != r.e.site.PinStale {
			t.Errorf("%v not read: opened after %v, want %v", silent, opened-last, r.e.site.PinStale)
		}
		if r.e.latch.resetBar(r.e.now) != ReasonPinsSilent {
			t.Errorf("%v not read: a reset meets %v", silent, r.e.latch.resetBar(r.e.now))
		}
		// Read again, all are known with the last of them.
		at := r.e.now + r.e.site.PinStale
		for l := range LineCount {
			if !r.e.site.Fitted[l] {
				continue
			}
			if r.e.latch.pinsKnown {
				t.Errorf("%v: known before %v was read", silent, l)
			}
			r.e.Step(at, &Input{Kind: LineInput, Line: l, On: r.lines[l]})
		}
		if !r.e.latch.pinsKnown {
			t.Errorf("%v: not known when all were read", silent)
		}
	}
}

// At any time in which the chain is closed, every line was read in time.
func TestNothingIsClosedWithALineUnread(t *testing.T) {
	base := bases(t)[1]
	var fitted []Line
	for l := range LineCount {
		if base.e.site.Fitted[l] {
			fitted = append(fitted, l)
		}
	}
	trips := 0
	rapid.Check(t, func(rt *rapid.T) {
		r := base.twin(t)
		read := map[Line]time.Duration{}
		for _, l := range fitted {
			read[l] = r.now
		}
		at := r.now
		for range rapid.IntRange(1, 40).Draw(rt, "reads") {
			at += time.Duration(rapid.IntRange(0, 8).Draw(rt, "ms")) * time.Millisecond
			l := rapid.SampledFrom(fitted).Draw(rt, "line")
			r.e.Step(at, &Input{Kind: FrameInput})
			r.e.Step(at, &Input{Kind: LineInput, Line: l, On: r.lines[l]})
			oldest := at
			for _, l := range fitted {
				oldest = min(oldest, read[l])
			}
			read[l] = at
			if r.e.latch.closed && at-oldest >= r.e.site.PinStale {
				rt.Fatalf("closed with a line last read %v before", at-oldest)
			}
			if !r.e.latch.closed {
				trips++
				return
			}
		}
	})
	if trips == 0 {
		t.Error("no line was ever left unread")
	}
}

// Contacts that swap between two readings are told one after the other. In
// between they look both open, or both closed, which they never were: that may
// neither put off the fault of contacts that differ nor count as "both can open".
func TestContactsThatSwapInOneReadingWereNeverBothOpen(t *testing.T) {
	for _, first := range []Line{EStopA, EStopB} {
		other := EStopA + EStopB - first
		r := bases(t)[1].twin(t)
		r.lines[first] = false
		r.run(r.tick)
		if r.e.latch.state != Tripped {
			t.Fatalf("%v open: %v", first, r.e.latch.state)
		}
		opened := r.now
		for r.now < opened+r.e.site.Discrepancy {
			r.lines[first], r.lines[other] = r.lines[other], r.lines[first]
			if r.run(r.tick); r.e.latch.stopHealthy() {
				t.Fatalf("%v opened first: not pressed at %v", first, r.now)
			}
		}
		if r.e.latch.state != Fault || !r.e.latch.stopDoubt {
			t.Errorf("%v opened first: %v with contacts that differed for %v", first, r.e.latch.state, r.now-opened)
		}
		// Swapping on clears no doubt, and both closed is not enough.
		for range 5 {
			r.lines[first], r.lines[other] = r.lines[other], r.lines[first]
			r.run(r.tick)
		}
		r.lines[first], r.lines[other] = true, true
		r.run(4 * r.tick)
		if bar := r.e.latch.resetBar(r.now); bar != ReasonEStopOne {
			t.Errorf("%v opened first: a reset meets %v", first, bar)
		}
		r.lines[first], r.lines[other] = false, false
		r.run(4 * r.tick)
		r.lines[first], r.lines[other] = true, true
		r.run(4 * r.tick)
		if bar := r.e.latch.resetBar(r.now); bar == ReasonEStopOne || bar == ReasonEStop {
			t.Errorf("%v opened first: a reset meets %v when both had opened", first, bar)
		}
	}
}

// A current past the range of its field flows, whatever the number is: with the
// chain open that is power that was not removed.
func TestACurrentPastItsFieldIsPowerThatRemains(t *testing.T) {
	text := "version = 1\ntitle = \"t\"\n[[rule]]\nname = \"overload\"\nwatch = \"tether.tension\"\nabove = \"1800 N\"\nstop = \"immediate\"\n"
	for _, why := range []rules.Cause{rules.OutOfRange, rules.Sentinel} {
		r := newRig(t, text, func(s *Site) { s.IdleCurrent = 5 })
		r.set(rules.Tension, 500, rules.Good)
		r.set(rules.Pack1Current, 1, rules.Good)
		r.live()
		r.silence(rules.Pack1Current)
		r.lines[EStopA], r.lines[EStopB] = false, false
		for range 500 {
			r.run(r.tick)
			r.step(Input{Kind: SampleInput, Sample: Sample{Channel: rules.Pack1Current, Quality: rules.Missing, Cause: why}})
		}
		if remains := r.e.latch.state == Fault && r.e.latch.why == ReasonPowerRemains; remains != (why == rules.OutOfRange) {
			t.Errorf("%v: %v because of %v", why, r.e.latch.state, r.e.latch.why)
		}
	}
}
