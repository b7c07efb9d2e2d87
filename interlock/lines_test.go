package interlock

import (
	"testing"
	"time"

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
				for _, f := range r.e.Step(at, Input{Kind: LineInput, Line: l, On: r.lines[l]}) {
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
		if r.e.resetBar(r.e.now) != ReasonPinsSilent {
			t.Errorf("%v not read: a reset meets %v", silent, r.e.resetBar(r.e.now))
		}
		// Read again, all are known with the last of them.
		at := r.e.now + r.e.site.PinStale
		for l := range LineCount {
			if !r.e.site.Fitted[l] {
				continue
			}
			if r.e.pinsKnown {
				t.Errorf("%v: known before %v was read", silent, l)
			}
			r.e.Step(at, Input{Kind: LineInput, Line: l, On: r.lines[l]})
		}
		if !r.e.pinsKnown {
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
			r.e.Step(at, Input{Kind: FrameInput})
			r.e.Step(at, Input{Kind: LineInput, Line: l, On: r.lines[l]})
			oldest := at
			for _, l := range fitted {
				oldest = min(oldest, read[l])
			}
			read[l] = at
			if r.e.closed && at-oldest >= r.e.site.PinStale {
				rt.Fatalf("closed with a line last read %v before", at-oldest)
			}
			if !r.e.closed {
				trips++
				return
			}
		}
	})
	if trips == 0 {
		t.Error("no line was ever left unread")
	}
}
