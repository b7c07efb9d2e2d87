package bench

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/records/recording"
	"downhaul/rules"

	"pgregory.net/rapid"
)

// decisions runs the envelopes side by side and gives every decision of each as
// text.
func decisions(t *testing.T, path string, setup Setup, envelopes ...*rules.Envelope) []string {
	t.Helper()
	rec, err := recording.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	p, err := newPass(setup, envelopes, nil)
	if err != nil {
		t.Fatal(err)
	}
	texts := make([][]byte, len(envelopes))
	for i, l := range p.lanes {
		l.watch = func(_ time.Duration, effects []interlock.Effect) {
			for _, f := range effects {
				texts[i] = append(interlock.AppendDecision(texts[i], envelopes[i], f), '\n')
			}
		}
	}
	if err := p.run(path, rec); err != nil {
		t.Fatal(err)
	}
	out := make([]string, len(envelopes))
	for i, l := range p.lanes {
		for k := range envelopes[i].Rules {
			texts[i] = fmt.Appendf(texts[i], "%v %v %v\n", l.least[k].room, l.least[k].at, l.least[k].seen)
		}
		out[i] = string(texts[i])
	}
	return out
}

// Many engines behind one intake decide, byte for byte, what each decides alone
// behind an intake of its own that gives only what it can use.
func TestSideBySideDecidesWhatEachDecidesAlone(t *testing.T) {
	kept := keptSetup(t)
	watch := func(channel, limit string) *rules.Envelope {
		return envelope(t, fmt.Sprintf("[[rule]]\nname = \"one\"\nwatch = %q\n%s\nstale_after = \"2 s\"\nstop = \"immediate\"\n", channel, limit))
	}
	others := []*rules.Envelope{
		kept.Envelope,
		watch("craft.tilt", `above = "4 deg"`),
		watch("craft.height", `above = "1.5 m"`),
		watch("wind.gust3s", `above = "6 m/s"`),
		watch("tether.tension", `rising_faster = "100 N/s"`),
		watch("pack.resistance", `above = "10 mohm"`),
		watch("link.lag", `above = "0.05 s"`),
	}
	path := filepath.Join("testdata", "kept.pcapng")
	for _, duty := range []interlock.Duty{interlock.Watch, interlock.Guard} {
		kept.Site.Duty = duty
		together := decisions(t, path, kept, others...)
		for i, env := range others {
			alone := decisions(t, path, kept, env)[0]
			if alone != together[i] {
				t.Errorf("duty %v, envelope %d: side by side\n%s\nalone\n%s", duty, i, together[i], alone)
			}
			if !strings.Contains(alone, `"kind":"`) {
				t.Errorf("duty %v, envelope %d decided nothing: it proves nothing", duty, i)
			}
		}
	}
}

// The same on what nobody here made.
func TestSideBySideOnRealLinks(t *testing.T) {
	rule := func(watch, limit, while string) *rules.Envelope {
		return envelope(t, fmt.Sprintf("[[rule]]\nname = \"one\"\nwatch = %q\n%s\nstale_after = \"2 s\"\nwhile = %q\nstop = \"immediate\"\n", watch, limit, while))
	}
	envelopes := []*rules.Envelope{
		rule("craft.tilt", `above = "20 deg"`, "always"), rule("craft.tilt", `above = "20 deg"`, "airborne"),
		rule("craft.height", `above = "3 m"`, "armed"), rule("supply.voltage", `falling_faster = "0.2 V/s"`, "always"),
		rule("link.loss", `above = "2 %"`, "always"),
	}
	for _, name := range []string{"quad-crash-then-mission.pcap", "sim-lossy.raw"} {
		path := shared(t, name)
		setup, _, err := Watching([]string{path}, envelopes[0], nil)
		if err != nil {
			t.Fatal(err)
		}
		together := decisions(t, path, setup, envelopes...)
		for i, env := range envelopes {
			if alone := decisions(t, path, setup, env)[0]; alone != together[i] {
				t.Errorf("%s, envelope %d: side by side\n%s\nalone\n%s", name, i, together[i], alone)
			}
		}
	}
}

// An error of the tick ends a replay, and nothing is read behind it: who opened the
// recording closes it.
func TestTickingEndsAReplay(t *testing.T) {
	var over atomic.Bool
	rec, err := recording.OpenReader(newRocking(t, 20*batchTurns), recording.Counting(func(int) {
		if over.Load() {
			t.Error("it is read behind the end")
		}
	}))
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join("testdata", "kept.pcapng")
	setup, _, err := Watching([]string{path}, envelope(t, "[[rule]]\nname = \"tilt\"\nwatch = \"craft.tilt\"\nabove = \"60 deg\"\nstop = \"immediate\"\n"), nil)
	if err != nil {
		t.Fatal(err)
	}
	setup.Intake.Links[0].Stream = true
	stop := errors.New("stop here")
	ticks := 0
	_, err = Replay("x", rec, setup, Ticking(func() error {
		if ticks++; ticks < 3 {
			return nil
		}
		return stop
	}))
	over.Store(true)
	if !errors.Is(err, stop) || ticks != 3 {
		t.Errorf("got %v behind %d ticks, want %v behind 3", err, ticks, stop)
	}
}

// spansFrom draws spans in order, without overlap.
func spansFrom(r *rapid.T, name string) []span {
	var out []span
	at := time.Duration(0)
	for range rapid.IntRange(0, 6).Draw(r, name) {
		at += time.Duration(rapid.IntRange(1, 5).Draw(r, name+" pause"))
		s := span{from: at}
		at += time.Duration(rapid.IntRange(0, 5).Draw(r, name+" length"))
		s.to = at
		out = append(out, s)
	}
	return out
}

// Every span of both lists is told once, and pairs overlap or begin together:
// held against plain counting over all pairs.
func TestMatchTellsEverySpanOnce(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		a, b := spansFrom(r, "a"), spansFrom(r, "b")
		meet := func(x, y span) bool { return x.from == y.from || x.from < y.to && y.from < x.to }
		told := map[string]int{}
		pairs := 0
		match(a, b, func(how pairing, x, y span) {
			switch how {
			case onlyA:
				told[fmt.Sprint("a", x.from)]++
				for _, o := range b {
					if meet(x, o) {
						r.Errorf("%v is told as only in a, and meets %v", x, o)
					}
				}
			case onlyB:
				told[fmt.Sprint("b", y.from)]++
				for _, o := range a {
					if meet(o, y) {
						r.Errorf("%v is told as only in b, and meets %v", y, o)
					}
				}
			case both:
				pairs++
				told[fmt.Sprint("a", x.from)]++
				told[fmt.Sprint("b", y.from)]++
			case joined:
				pairs++
				if told[fmt.Sprint("a", x.from)] > 0 {
					told[fmt.Sprint("b", y.from)]++
				} else {
					told[fmt.Sprint("a", x.from)]++
				}
			}
			if (how == both || how == joined) && !meet(x, y) {
				r.Errorf("%v and %v are told as one and do not meet", x, y)
			}
		})
		for _, x := range a {
			if told[fmt.Sprint("a", x.from)] != 1 {
				r.Errorf("%v of a is told %d times", x, told[fmt.Sprint("a", x.from)])
			}
		}
		for _, y := range b {
			if told[fmt.Sprint("b", y.from)] != 1 {
				r.Errorf("%v of b is told %d times", y, told[fmt.Sprint("b", y.from)])
			}
		}
	})
}
