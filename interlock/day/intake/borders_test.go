package intake

import (
	"net/netip"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/telemetry"
	"downhaul/rules"
)

// The age of a frame at the borders of what a restart explains.
func TestAgeOfAFrameAtItsBorders(t *testing.T) {
	attitude, other := &telemetry.Frame{ID: 30}, &telemetry.Frame{ID: 33}
	for _, c := range []struct {
		name  string
		f     *telemetry.Frame
		ms    uint32
		after time.Duration // the newest clock, 600 s, moved on
		timed bool
		want  age
	}{
		{"the next", attitude, 600_001, time.Second, true, fresh},
		{"the same", attitude, 600_000, time.Second, true, same},
		{"overtaken by just under a second", attitude, 599_001, time.Second, true, late},
		{"a second behind", attitude, 599_000, time.Second, true, turned},
		{"another kind, a second behind", other, 599_000, time.Second, true, turned},
		{"another kind, just under a second behind", other, 599_001, time.Second, true, fresh},
		{"up for as long as a restart explains", attitude, 7_000, 2 * time.Second, true, back},
		{"up for longer", attitude, 7_001, 2 * time.Second, true, turned},
		{"another kind up for as long as that", other, 7_000, 2 * time.Second, true, back},
		{"up for longer, at a time that was made of it", attitude, 500_000, 2 * time.Second, false, back},
	} {
		var k bootClocks
		k.look(attitude, 599_900, 0, true)
		k.look(attitude, 600_000, time.Second, true)
		if got := k.look(c.f, c.ms, time.Second+c.after, c.timed); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// A clock of old frames is believed when it went on for 30 s and nothing else did;
// what it was first heard at does not matter.
func TestAnOldClockIsBelievedAfterHalfAMinute(t *testing.T) {
	for _, first := range []uint32{20_000, 100_000, 400_000} {
		f := &telemetry.Frame{ID: 30}
		var k bootClocks
		k.look(f, 599_900, 0, true)
		k.look(f, 600_000, 100*ms, true)
		at, ms := 200*ms, first
		if got := k.look(f, ms, at, true); got != turned {
			t.Fatalf("first heard at %d ms: %v", first, got)
		}
		for got := old; got != back; {
			at, ms = at+100*time.Millisecond, ms+100
			if got = k.look(f, ms, at, true); got != old && (got != back || ms-first < 30_000) || ms-first > 30_100 {
				t.Fatalf("first heard at %d ms, at %d ms: %v", first, ms, got)
			}
		}
	}
}

// Old frames that come seldom are never believed while the craft's own clock goes on.
func TestAnOldClockBesideTheCraftsIsNotBelieved(t *testing.T) {
	f := &telemetry.Frame{ID: 30}
	var k bootClocks
	for i := range 1200 {
		at := time.Duration(i) * 100 * ms
		k.look(f, 600_000+uint32(at/ms), at, true)
		if i%25 != 24 {
			continue
		}
		if got := k.look(f, 100_000+uint32(at/ms), at, true); got != turned && got != old && got != rival {
			t.Fatalf("beside the craft's clock for %v: %v", at, got)
		}
	}
}

func TestBootClockWordsAtTheirBorders(t *testing.T) {
	k := bootClocks{used: 1, ms: 100_000, moved: 10 * time.Second}
	for ms, want := range map[uint32]bool{101_000: false, 106_000: false, 106_001: true, 96_000: false, 95_999: true} {
		if k.another(ms, 11*time.Second) != want { // by then it says 101,000
			t.Errorf("%d ms is another's: %v", ms, !want)
		}
	}
	if (&bootClocks{}).another(1e9, 0) {
		t.Error("before any clock was heard there is another one")
	}
	for ms, want := range map[uint32]bool{100_000: false, 100_499: false, 100_500: true, 101_000: true, 105_000: true, 99_000: false} {
		if k.goesOn(ms, 11*time.Second) != want {
			t.Errorf("%d ms goes on: %v", ms, !want)
		}
	}
	if k.goesOn(100_000, 10*time.Second) {
		t.Error("a clock that stands goes on")
	}
	for until, want := range map[time.Duration]bool{stillAfter - 1: false, stillAfter: true} {
		s := bootClocks{ticks: true}
		s.stand(time.Second)
		s.stand(time.Second + until)
		if s.stuck() != want {
			t.Errorf("it stood for %v and is stuck: %v", until, !want)
		}
		s.ticks = false
		if s.stuck() {
			t.Error("a clock that never went is stuck")
		}
	}
	for _, c := range []struct {
		without, longest time.Duration
		moves            int
		want             bool
	}{
		{goneAfter, 0, goneMoves, false}, {goneAfter + 1, 0, goneMoves, true}, {goneAfter + 1, 0, goneMoves - 1, false},
		{15 * time.Second, 3 * time.Second, goneMoves, false}, {15*time.Second + 1, 3 * time.Second, goneMoves, true},
	} {
		if g := (bootClocks{without: c.without, longest: c.longest, moves: c.moves}); g.gone() != c.want {
			t.Errorf("%+v is gone: %v", c, !c.want)
		}
	}
	// A silence of the whole link counts a second at most.
	p := bootClocks{}
	p.passes(300 * ms)
	p.passes(time.Hour)
	if p.without != 1300*ms {
		t.Errorf("without a clock for %v, want 1.3 s", p.without)
	}
	// How long it lets pass without one counts up to the frame that tells it again: one
	// that tells it every 4 s is gone after 20 s of other frames, and not before.
	p = bootClocks{}
	at := time.Duration(0)
	for k := range goneMoves + 1 {
		p.look(&telemetry.Frame{ID: 30}, uint32(at/ms), at, false)
		for range 3 + 17*(k/goneMoves) {
			if at += time.Second; p.lacks(at) {
				t.Fatalf("gone after %v", at-p.moved)
			}
		}
		at += time.Second
	}
	if !p.lacks(at) {
		t.Errorf("not gone after %v", at-p.moved)
	}
	// One whose clock was not told to move on for as often is never gone.
	for moves, want := range map[int]bool{goneMoves - 1: false, goneMoves: true} {
		p, gone := bootClocks{}, false
		for k := range moves + 30 {
			if at := time.Duration(k) * time.Second; k < moves {
				p.look(&telemetry.Frame{ID: 30}, uint32(at/ms), at, false)
			} else {
				gone = gone || p.lacks(at)
			}
		}
		if gone != want {
			t.Errorf("after %d moves of its clock and 30 s without it: gone %v", moves, gone)
		}
	}
}

// What was said is forgotten 200 frames later, and where the clock leaps, what was
// said more than a second before.
func TestPastAtItsBorders(t *testing.T) {
	for later, want := range map[int]bool{1: true, repeatFrames - 1: true, repeatFrames: false} {
		var p past
		p.take(0, 0, 99, true, true)
		for i := 1; i <= later; i++ {
			p.take(0, uint8(i), uint64(i), true, true)
		}
		if p.has(0, 99) != want {
			t.Errorf("%d frames later it is remembered: %v", later, !want)
		}
	}
	for lag, want := range map[time.Duration]bool{0: true, leapKeeps: true, leapKeeps + 1: false} {
		var p past
		p.take(time.Second, 10, 99, true, true)
		p.take(time.Second+lag, 10, 100, true, true) // the same number 256 on: a leap
		p.leapt = time.Second + lag
		if p.has(10, 99) != want {
			t.Errorf("%v before a leap it is remembered: %v", lag, !want)
		}
	}
}

// Whatever was lost is taken back by what comes late, the newest first, and no more
// than was lost.
func TestFoundTakesBackWhatWasLost(t *testing.T) {
	l := loss{lost: [lossSpan + 1]uint32{1, 1}}
	for _, want := range [][2]uint32{{0, 1}, {0, 0}, {0, 0}} {
		if l.found(); l.lost[0] != want[0] || l.lost[1] != want[1] {
			t.Errorf("lost %v, want %v", l.lost, want)
		}
	}
}

// What is wrong in a record or comes from elsewhere is counted, once each.
func TestWhatGivesNothingIsCounted(t *testing.T) {
	cfg := Config{Links: []LinkConfig{{From: addrA}, {Stream: true}}, Anemometer: AnemometerConfig{Fitted: true, Slope: 1, MaxHz: 100}, LoadCell: LoadCellConfig{Fitted: true, NewtonsPerCount: 1}}
	f := feed(t, cfg)
	craft, radio := sender{system: 1, component: 1}, sender{system: 51, component: 68}
	want := uint64(0)
	for i, c := range []Chunk{
		{Source: Telemetry, Link: 2}, {Source: Telemetry, Link: 255}, {Source: 0}, {Source: 99}, {Source: HostEvent}, {Source: Pins, Bytes: []byte{2, 0, 0, 0, 0}},
		{Source: Wind, Bytes: make([]byte, WindEdgeSize-1)}, {Source: Wind, Bytes: []byte{0, 0, 0, 0, 0, 0, 0, 0, 4, 0, 0}}, {Source: LoadCell, Bytes: make([]byte, CountSize-1)},
	} {
		f.chunk(c)
		if want++; f.in.Counts().BadRecords != want {
			t.Errorf("chunk %d: %d bad records are counted, want %d", i, f.in.Counts().BadRecords, want)
		}
	}
	for i := range 3 {
		f.datagram(time.Duration(i)*ms, addrB, craft.frame(attitude(uint32(i), 0)))
		if n := f.in.Counts().Links[0]; n.WrongAddress != uint64(i+1) || n.Frames != 0 {
			t.Errorf("%d from elsewhere: %+v", i+1, n)
		}
	}
	if f.datagram(5*ms, addrA, []byte{0x55}); f.in.Counts().Links[0].BadBytes != 1 {
		t.Errorf("one byte that is no frame: %+v", f.in.Counts().Links[0])
	}
	f.datagram(10*ms, addrB, radio.frame(heartbeat()))
	if n := f.in.Counts().Links[0]; n.Others != 1 || n.WrongAddress != 3 {
		t.Errorf("another sender: %+v", n)
	}
}

// A clone goes on by itself.
func TestCloneSharesNothing(t *testing.T) {
	f := feed(t, Config{Links: []LinkConfig{{Stream: true}}})
	craft := sender{system: 1, component: 1}
	whole := craft.frame(attitude(1000, 0.25))
	f.chunk(Chunk{Source: Telemetry, Bytes: whole[:10]})
	before := f.in.Counts()
	c := f.in.Clone()
	if got := c.Append(nil, &Chunk{At: ms, Source: Telemetry, Bytes: whole[10:]}); has(got, interlock.FrameInput) != 1 {
		t.Errorf("the clone did not go on: %+v", got)
	}
	if now := f.in.Counts(); now.Links[0] != before.Links[0] || c.Counts().Links[0].Frames != 1 {
		t.Errorf("the first counts %+v, before %+v", now.Links[0], before.Links[0])
	}
	if got := f.chunk(Chunk{At: ms, Source: Telemetry, Bytes: whole[10:]}); has(got, interlock.FrameInput) != 1 {
		t.Errorf("the first did not go on: %+v", got)
	}
}

// Where the pad file names an address, with or without a port.
func TestPinnedAtEveryPart(t *testing.T) {
	for _, c := range []struct {
		from, heard string
		want        bool
	}{
		{"", "192.0.2.1:14001", true}, {"192.0.2.1:14001", "192.0.2.1:14001", true}, {"192.0.2.1:14001", "192.0.2.1:14002", false},
		{"192.0.2.1:0", "192.0.2.1:14002", true}, {"192.0.2.1:0", "192.0.2.2:14001", false}, {"192.0.2.1:1", "192.0.2.1:2", false}, {"[::ffff:192.0.2.1]:0", "192.0.2.1:5", true},
	} {
		l := link{}
		if c.from != "" {
			l.cfg.From = netip.MustParseAddrPort(c.from)
		}
		if l.pinned(netip.MustParseAddrPort(c.heard)) != c.want {
			t.Errorf("pinned to %q, heard from %s: %v", c.from, c.heard, !c.want)
		}
	}
	k := craft{known: true, last: time.Second}
	for at, want := range map[time.Duration]bool{time.Second + aliveFor: true, time.Second + aliveFor + 1: false} {
		if k.alive(at) != want {
			t.Errorf("%v after its last frame it is alive: %v", at-time.Second, !want)
		}
	}
}

// A period of an hour is the longest.
func TestPeriodOfAFrequency(t *testing.T) {
	for f, want := range map[float64]time.Duration{100: 10 * ms, 0.5: 2 * time.Second, 1.0 / 3600: time.Hour, 1.0 / 7200: time.Hour} {
		if got := periodOf(f); got < want-1 || got > want {
			t.Errorf("%v Hz has a period of %v, want %v", f, got, want)
		}
	}
}

// What a silence may mean, at the borders of every part of it: the cups start at
// 0.5 m/s.
func TestSilenceAtItsBorders(t *testing.T) {
	for _, c := range []struct {
		before, last float64
		longest      time.Duration
		silent       time.Duration
		want         rules.Cause
	}{
		{1.0, 1, 0, time.Hour, rules.NoCause}, {1.01, 1, 0, 10*time.Second - 1, rules.NoCause}, {1.01, 1, 0, 10 * time.Second, rules.MayBeCut},
		{1.01, 1, 0, time.Minute - 1, rules.MayBeCut}, {1.01, 1, 0, time.Minute, rules.SilentLong},
		{1.01, 0.75, 0, 30*time.Second - 1, rules.NoCause}, {1.01, 0.75, 0, 30 * time.Second, rules.MayBeCut}, {1.01, 0.76, 0, 10 * time.Second, rules.MayBeCut},
		{1.01, 1, 5 * time.Second, 15*time.Second - 1, rules.NoCause}, {1.01, 1, 5 * time.Second, 15 * time.Second, rules.MayBeCut},
		{1.01, 1, 30 * time.Second, time.Minute - 1, rules.NoCause}, {1.01, 1, 30 * time.Second, time.Minute, rules.SilentLong},
	} {
		w := newWind(AnemometerConfig{Fitted: true, Slope: 1, MaxHz: 100})
		w.windy.before, w.windy.last, w.windy.longest = c.before, c.last, c.longest
		if got := w.silence(c.silent); got != c.want {
			t.Errorf("%+v: %q, want %q", c, got, c.want)
		}
		w.cfg.Loop.Fitted = true
		if got := w.silence(c.silent); got != rules.NoCause {
			t.Errorf("%+v with a supervised wire: %q", c, got)
		}
	}
	w := newWind(AnemometerConfig{Fitted: true, Slope: 1, MaxHz: 100})
	for off, want := range map[time.Duration]bool{3 * time.Second: false, 3*time.Second + 1: true, -3 * time.Second: false, -3*time.Second - 1: true} {
		w.checking, w.checkEdge, w.checkAt, w.last = true, 0, 0, 10*time.Second+off
		if w.compare(10 * time.Second); w.apart != want { // a second and a fifth of 10 s
			t.Errorf("%v apart in 10 s: %v", off, !want)
		}
	}
}

// One chunk of pulses that was lost breaks the period, as many do; so does one edge.
func TestOneLostChunkOrEdgeIsDoubted(t *testing.T) {
	for _, c := range []Chunk{{Lost: 1}, {Bytes: AppendWindEdges(nil, []WindEdge{{At: 1300 * ms, Rise: true, Lost: 1}})}} {
		f := feed(t, Config{Anemometer: AnemometerConfig{Fitted: true, Slope: 1, MaxHz: 100}})
		var edges []WindEdge
		for i := range 11 {
			edges = append(edges, WindEdge{At: time.Duration(i) * 100 * ms, Rise: true})
		}
		f.chunk(Chunk{At: 1250 * ms, Source: Wind, Bytes: AppendWindEdges(nil, edges)})
		c.At, c.Source = 1500*ms, Wind
		if s, ok := value(f.chunk(c), rules.WindSpeed); !ok || s.Quality != rules.Doubtful || s.Cause != rules.InputMissing {
			t.Errorf("%+v: %+v, want it doubted", c, s)
		}
	}
}

// A current at the borders of what tells that it went past its field.
func TestCurrentAtItsBorders(t *testing.T) {
	amps := func(v float64) interlock.Sample {
		return interlock.Sample{Channel: rules.SupplyCurrent, Quality: rules.Good, Value: v}
	}
	for _, c := range []struct {
		from, to float64
		want     bool
	}{{300, 149.9, true}, {299.9, 149.9, false}, {300, 150, false}, {300, 20, false}, {300, 20.1, true}, {327, 0.5, false}} {
		var w wrapping
		a, b := amps(c.from), amps(c.to)
		w.look(0, &a)
		if w.look(ms, &b); w.past != c.want {
			t.Errorf("from %v A to %v A it is past its field: %v", c.from, c.to, !c.want)
		}
	}
	for v, want := range map[float64]bool{-5: false, -5.1: true, 299: false, 300: true} {
		var w wrapping
		s := interlock.Sample{Quality: rules.Doubtful, Cause: rules.OutOfRange, Value: v}
		if w.look(0, &s); w.past != want {
			t.Errorf("out of range at %v A it is past its field: %v", v, !want)
		}
	}
	for _, c := range []struct {
		high float64
		rest time.Duration
		want bool
	}{{2, restFor, false}, {2, restFor - 1, true}, {2.01, restFor, true}, {0, restFor, false}} {
		w := wrapping{past: true}
		low, high := amps(0), amps(c.high)
		w.look(0, &low)
		w.look(ms, &high)
		if w.look(c.rest, &low); w.past != c.want {
			t.Errorf("between 0 and %v A for %v it is past its field: %v", c.high, c.rest, !c.want)
		}
	}
	// What rested before it rolled over has to rest anew.
	var w wrapping
	rest, rolled := amps(1), missing(rules.SupplyCurrent, rules.OutOfRange)
	w.look(0, &rest)
	w.look(20*time.Second, &rolled)
	w.look(21*time.Second, &rest)
	if w.look(31*time.Second-1, &rest); !w.past {
		t.Error("it rested before, and is believed at once")
	}
	if w.look(31*time.Second, &rest); w.past {
		t.Error("it rested for 10 s, and is not believed")
	}
	// By the charge: 5 s at 100 A are 500 A·s.
	for charge, want := range map[float64]bool{500 + 1500: false, 500 + 1501: true} {
		var w wrapping
		s := amps(100)
		w.count(0, &s, 0)
		if w.count(5*time.Second, &s, charge); w.past != want {
			t.Errorf("100 A for 5 s and %v A·s it is past its field: %v", charge, !want)
		}
	}
	for charge, want := range map[float64]bool{500 + 499: false, 500 + 501: true, 1: false, 0: true} {
		w := wrapping{past: true}
		s := amps(100)
		w.count(0, &s, 0)
		if w.count(5*time.Second, &s, charge); w.past != want {
			t.Errorf("100 A for 5 s and %v A·s it stays past its field: %v", charge, !want)
		}
	}
	for id, want := range map[rules.ChannelID]int{rules.Pack1Current: 0, rules.Pack2Current: 1, rules.Pack4Current: 3, rules.SupplyCurrent: 4, rules.Pack1Voltage: -1, rules.Tension: -1, rules.Pack4Current + 1: -1, rules.Pack1Current + 1: -1} {
		if got := currentPlace(id); got != want {
			t.Errorf("%v has place %d, want %d", id, got, want)
		}
	}
}

// A fifth four of controllers has no place here, and nothing falls over.
func TestFifthFourIsLeftAlone(t *testing.T) {
	c := controllers{}
	in := []interlock.Input{sampleInput(interlock.Sample{Channel: rules.ESCVoltage, Quality: rules.Good, Value: 20})}
	if got := c.join(in, 4*mostFours, 0); len(got) != 1 || got[0].Sample.Value != 20 || c.known != [fourChannels][mostFours]bool{} {
		t.Errorf("%+v, known %v", got, c.known)
	}
}

// Two senders are said again as soon as they went on for long enough; and a pulse at
// the very start of the clock is one.
func TestClashAndFirstEdgeAtTheirBorders(t *testing.T) {
	f := feed(t, Config{Anemometer: AnemometerConfig{Fitted: true, Slope: 1, MaxHz: 100}})
	for at, want := range map[time.Duration]int{aliveFor - 1: 0, aliveFor: 1} {
		d := decoder{craft: craft{clashed: true}}
		if got := clashes(d.clash(nil, at)); got != want {
			t.Errorf("%v after it was said: %d clashes, want %d", at, got, want)
		}
	}
	f.chunk(Chunk{Source: Wind, Bytes: AppendWindEdges(nil, []WindEdge{{At: 0, Rise: true}})})
	if n := f.in.Counts().BadRecords; n != 0 {
		t.Errorf("%d bad records", n)
	}
}
