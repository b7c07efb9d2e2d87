package guard

import (
	"context"
	"runtime"
	"time"

	"downhaul/hw"
	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry/link"
	"downhaul/rules"
)

// Times of the loop, ours.
const (
	// pinEvery: levels are taken every turn, and handed to the engine when one
	// changed or this has passed.
	pinEvery = 4 * time.Millisecond
	// pinTurn is the spacing of turns where there are pins: a staleness of
	// 20 ms then bears a turn that comes 15 ms late.
	pinTurn    = 5 * time.Millisecond
	beatEvery  = 25 * time.Millisecond  // the spacing of heartbeat edges
	lampFor    = 700 * time.Millisecond // the length of the flash at start, trip and end
	showEvery  = 100 * time.Millisecond // the spacing of snapshots for status and page
	relayRetry = 100 * time.Millisecond // the spacing of attempts after a failed write
	perLane    = 64                     // bounds what one turn takes from a lane, so that a flood in one cannot hold up pins and heartbeat
)

// LoopConfig is what a Loop needs.
type LoopConfig struct {
	Engine     *interlock.Engine
	Intake     *intake.Intake
	Board      hw.Board
	Pins, Wind bool // whether input lines are fitted, and whether an anemometer is
	// LongestGap is the longest time between two turns. It is the window of
	// the external watchdog: after a longer gap the contactor has dropped.
	LongestGap time.Duration
	// Clock is the time right now: a turn can be held up in its middle, and a
	// heartbeat edge must be spaced from when the last one really was written.
	Clock func() time.Duration
	// Whose states whose word a datagram or a piece of a stream is, and may put what of it is to
	// be taken in its place.
	Whose  func(*intake.Chunk) Whose
	Keep   func(*Batch)            // takes the records of one turn. It must not block.
	Show   func(*Loop)             // takes a chance to copy what can be shown. It must not block.
	Turned func(now time.Duration) // comes at the end of every turn. It must not block. Nil is nobody.
}

// Batch is what one chunk, or one wake by a timer, brought: the chunk (none if
// its Seq is 0), what it said and what the engine decided. It is valid during the call.
type Batch struct {
	Chunk     intake.Chunk
	At        time.Duration
	Inputs    []interlock.Input
	Decisions []interlock.Effect
}

// Loop is the guard's loop. Turn and everything it calls belong to one
// goroutine; what leaves something for it may be called from any.
type Loop struct {
	cfg              LoopConfig
	relay, heartbeat chainLine
	buzzer, lamp     hw.Output
	waiter           *link.Waiter
	inbox            *inbox
	own              []intake.HostMessage // the loop's own words for the engine
	batch            Batch
	seq              uint64

	started  bool
	last     time.Duration // the last turn
	ended    time.Duration // an instant that ended for the engine: nothing comes before this
	worst    time.Duration // longest gap between turns so far
	turns    uint64
	pinsAt   time.Duration
	levels   uint32 // the last that were read
	low      uint32 // what edges told since then: what was low for a moment
	high     uint32 // and what was high
	pinsBad  bool
	pinBytes []byte

	beatOn, beat    bool
	beatAt, retryAt time.Duration

	sound        interlock.Sound
	soundSince   time.Duration
	lampUntil    time.Duration
	buzzing, lit bool
	outputErr    error
	past         recent

	shownAt   time.Duration
	hostBytes []byte

	hearing
	windPulses
	aside
}

// NewLoop makes a loop that has not turned yet.
func NewLoop(cfg LoopConfig) (*Loop, error) {
	w, err := link.NewWaiter()
	if err != nil {
		return nil, err
	}
	l := &Loop{
		cfg: cfg, waiter: w, inbox: newInbox(w.Wake), lampUntil: rules.Never,
		batch: Batch{Inputs: make([]interlock.Input, 0, 512)},
	}
	l.edges, l.heard = make([]intake.WindEdge, 0, 256), make([]byte, link.Longest)
	cfg.Intake.WhenBroken(l.panicked)
	cfg.Engine.WhenBroken(l.panicked)
	b := cfg.Board
	l.relay.Output, l.heartbeat.Output, l.buzzer, l.lamp = b.Relay(), b.Heartbeat(), b.Buzzer(), b.Lamp()
	return l, nil
}

// Turn runs the loop once at engine time now and gives the time of the next
// turn, should nothing come in before.
func (l *Loop) Turn(now time.Duration) time.Duration {
	l.turns++
	now = max(now, l.ended)
	if l.started {
		gap := now - l.last
		l.worst = max(l.worst, gap)
		// An edge that comes later than the watchdog's window lets the contactor
		// drop and, with those behind it, would close it again by itself.
		if gap > l.cfg.LongestGap || l.beatOn && now-l.beatAt > l.cfg.LongestGap {
			l.stalled(now)
		}
	}
	l.started, l.last = true, now

	if !l.pins(now) {
		return now
	}
	more := false
	for lane := range laneCount {
		switch lane {
		case laneLinks:
			more = l.readLinks(now) || more
		case laneHost:
			l.tellOwn(now)
		}
		taken := 0
		for p := l.inbox.next(lane); p != nil; p = l.inbox.next(lane) {
			if taken == perLane || taken > 0 && l.cfg.Clock()-now > pinTurn {
				more = true // what is read takes long: the lines come first
				break
			}
			l.feed(now, *p)
			l.inbox.lanes[lane].done()
			taken++
		}
	}
	l.strangers(now)
	l.wind(now)
	l.over(now)
	l.outputs(now)
	if now >= l.shownAt {
		l.shownAt = now + showEvery
		// Where nothing comes in the engine's clock would stand, and a silent craft look
		// like a loop that stands still.
		l.wake(now, now)
		l.cfg.Show(l)
	}
	if l.cfg.Turned != nil {
		l.cfg.Turned(now)
	}
	if more || len(l.own) > 0 {
		return now // what is left must not wait for something new to come in
	}
	return l.nextTurn(now)
}

// End opens the relay for good, as the last turn of a session.
func (l *Loop) End(now time.Duration) {
	now = max(now, l.ended)
	l.wake(now, now)
	l.hostNow(now, intake.HostMessage{Host: interlock.HostEnd, On: true, Text: "the guard ends"})
	l.over(now)
	l.outputs(now)
	l.cfg.Show(l)
}

// turnUntil is the loop's life: one locked thread.
func (g *Guard) turnUntil(ctx context.Context) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	if g.opts.Thread != nil {
		g.opts.Thread()
	}
	defer context.AfterFunc(ctx, g.loop.waiter.Wake)()
	lines := g.loop.cfg.Board.Waits()
	for ctx.Err() == nil {
		now := g.now()
		next := g.turn(now)
		if rest := g.loop.pace.rest(now); rest > 0 {
			g.loop.waiter.Wait(rest, nil, nil)
		} else if wait := next - g.now(); wait > 0 {
			g.loop.waiter.Wait(wait, g.loop.links, lines)
		}
	}
	g.ending.Store(true)
	g.turn(g.now()) // what was told as taken goes on record
	g.loop.End(g.now())
}

// stalled tells the engine that the loop was held up, before anything that fell due
// meanwhile and before any heartbeat edge. The backlog goes.
func (l *Loop) stalled(now time.Duration) {
	l.inbox.dropBacklog(laneSensors)
	l.inbox.dropBacklog(laneLinks)
	l.dropHeard()
	l.dropPulses()
	l.hostNow(now, intake.HostMessage{Host: interlock.HostHeldUp, On: true, Seq: uint32((now - l.last) / ms)})
}

// tell has the engine hear of something by a host event, in the next turn at the latest.
// The loop's own goroutine; others call Host.
func (l *Loop) tell(m intake.HostMessage) { l.own = append(l.own, m) }

func (l *Loop) tellOwn(now time.Duration) {
	for i := 0; i < len(l.own); i++ { // telling may bring more
		l.hostNow(now, l.own[i])
	}
	l.own = l.own[:0]
}

// hostNow feeds a host event of the loop's own at once.
func (l *Loop) hostNow(now time.Duration, m intake.HostMessage) {
	l.hostBytes = intake.EncodeHost(l.hostBytes[:0], m)
	l.feed(now, intake.Chunk{Source: intake.HostEvent, Bytes: l.hostBytes})
}

// feed takes one chunk through intake and engine. Relay and buzzer follow at
// once, the records after.
func (l *Loop) feed(now time.Duration, c intake.Chunk) {
	l.seq++
	c.Seq, c.At = l.seq, now
	l.begin(now, c)
	l.batch.Inputs = l.cfg.Intake.Append(l.batch.Inputs, &l.batch.Chunk)
	if len(l.batch.Inputs) == 0 {
		// Even a chunk that says nothing brings the engine to its time, so
		// that a replay of the chunks ends every timer at the same place.
		l.apply(now, l.cfg.Engine.Advance(now))
	}
	for i := range l.batch.Inputs {
		l.apply(now, l.cfg.Engine.Step(now, &l.batch.Inputs[i]))
	}
	l.cfg.Keep(&l.batch)
	l.tellBroken(now)
}

// over ends the turn's instant for the engine: only now is known all that came
// in it, and what waited for that acts. Later chunks belong to later instants.
func (l *Loop) over(now time.Duration) {
	if l.cfg.Engine.Deadline() <= now+1 {
		l.ended = now + 1
		l.wake(now, l.ended)
	}
}

// begin empties the batch for what a chunk, or none, is about to bring.
func (l *Loop) begin(now time.Duration, c intake.Chunk) {
	l.batch = Batch{Chunk: c, At: now, Inputs: l.batch.Inputs[:0], Decisions: l.batch.Decisions[:0]}
}

// wake takes the engine to a time without a chunk.
func (l *Loop) wake(now, to time.Duration) {
	l.begin(now, intake.Chunk{})
	l.apply(now, l.cfg.Engine.Advance(to))
	if len(l.batch.Decisions) > 0 {
		l.cfg.Keep(&l.batch)
	}
	l.tellBroken(now)
}

// apply does what the engine says, pins first.
func (l *Loop) apply(now time.Duration, effects []interlock.Effect) {
	for i := range effects {
		switch f := &effects[i]; f.Kind {
		case interlock.RelayEffect:
			l.output(&l.relay, f.On)
		case interlock.BeatEffect:
			// It comes behind the relay's effect: that write may have failed.
			l.beatOn = f.On && !l.chainBad()
			if f.On {
				l.beatAt = now - beatEvery
			}
		}
	}
	for i := range effects {
		f := &effects[i]
		l.past.take(f)
		switch f.Kind {
		case interlock.SoundEffect:
			l.sound, l.soundSince = f.Sound, now
			l.buzz(now)
		case interlock.LampEffect:
			l.lampUntil = now + lampFor
			l.light(true)
		}
	}
	l.batch.Decisions = append(l.batch.Decisions, effects...)
}

// pins samples the input lines, before any frame. It gives false where the loop was
// held up meanwhile: then these levels are of another time than the turn's, and the
// next turn, which finds the stall, reads them anew.
func (l *Loop) pins(now time.Duration) bool {
	if !l.cfg.Pins {
		return true
	}
	low, high := l.cfg.Board.Passed()
	l.low, l.high = l.low|low, l.high|high
	levels, err := l.cfg.Board.Levels()
	if l.cfg.Clock()-now > l.cfg.LongestGap {
		return false
	}
	bad := err != nil
	if bad {
		l.outputErr, levels = err, l.levels // the last that were read
	} else {
		// What had another level for less than a turn is told as if it had been read then; the
		// edge of a level that was read already, which the kernel tells later, is told no more.
		passed := (l.low&l.levels | l.high&^l.levels) &^ (levels ^ l.levels)
		if l.low, l.high = 0, 0; passed != 0 && l.pinBytes != nil {
			l.tellPins(now, l.levels^passed, false)
		}
	}
	if levels == l.levels && bad == l.pinsBad && l.pinBytes != nil && now-l.pinsAt < pinEvery {
		return true
	}
	l.tellPins(now, levels, bad)
	return true
}

func (l *Loop) tellPins(now time.Duration, levels uint32, bad bool) {
	l.levels, l.pinsBad, l.pinsAt = levels, bad, now
	l.pinBytes = intake.AppendPins(l.pinBytes[:0], levels, bad)
	l.feed(now, intake.Chunk{Source: intake.Pins, Bytes: l.pinBytes})
}

func (l *Loop) nextTurn(now time.Duration) time.Duration {
	next := min(l.cfg.Engine.Deadline(), l.shownAt, l.lampUntil)
	if l.cfg.Pins {
		next = min(next, now+pinTurn)
	}
	if l.beatOn {
		next = min(next, l.beatAt+beatEvery)
	}
	if l.cfg.Wind {
		next = min(next, l.windAt)
	}
	if l.chainBad() {
		next = min(next, l.retryAt)
	}
	if half := l.lampUntil - lampFor/2; l.lampUntil != rules.Never && half > now {
		next = min(next, half) // the sound of the flash ends
	}
	if _, hold := sounding(l.sound, now-l.soundSince); hold > 0 {
		next = min(next, now+hold)
	}
	return max(next, now)
}
