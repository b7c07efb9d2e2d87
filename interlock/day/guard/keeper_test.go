package guard

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/records/triplog"
	"downhaul/rules"
)

type nullLog struct{}

func (nullLog) Append(triplog.Line, bool) error { return nil }
func (nullLog) Sync() error                     { return nil }

type nullRecorder struct{}

func (nullRecorder) Put(intake.Chunk, ...string) error { return nil }
func (nullRecorder) Flush() error                      { return nil }
func (nullRecorder) Sync() error                       { return nil }

// spyLog keeps the lines in memory; it can hang and it can fail.
type spyLog struct {
	mu     sync.Mutex
	lines  []triplog.Line
	safe   int // lines on "disk"
	fail   error
	hang   chan struct{} // every write waits for it to close; nil is none
	inside chan struct{} // told when a write hangs
}

func (l *spyLog) wait() {
	if l.hang != nil {
		select {
		case l.inside <- struct{}{}:
		default:
		}
		<-l.hang
	}
}

func (l *spyLog) Append(line triplog.Line, durable bool) error {
	l.wait()
	l.mu.Lock()
	defer l.mu.Unlock()
	line.Decision = slices.Clone(line.Decision)
	l.lines = append(l.lines, line)
	if l.fail != nil {
		return l.fail
	}
	if durable {
		l.safe = len(l.lines)
	}
	return nil
}

func (l *spyLog) Sync() error {
	l.wait()
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.fail == nil {
		l.safe = len(l.lines)
	}
	return l.fail
}

func (l *spyLog) setFail(err error) {
	l.mu.Lock()
	l.fail = err
	l.mu.Unlock()
}

func (l *spyLog) trips() (numbers []string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, line := range l.lines {
		if _, after, ok := strings.Cut(string(line.Decision), `"trip":`); ok {
			n, _, _ := strings.Cut(after, ",")
			numbers = append(numbers, n)
		}
	}
	return numbers
}

func (l *spyLog) lost() (n uint64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, line := range l.lines {
		if line.Kind == triplog.KindLost {
			n += line.Count
		}
	}
	return n
}

func soon(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); !ok(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("in 30 s: not %s", what)
		}
	}
}

func keeperOf(t testing.TB, env *rules.Envelope, log tripLog, rec recorder, kept func(uint32)) *keeper {
	t.Helper()
	k, err := newKeeper(env, log, rec, kept)
	must(t, err)
	return k
}

// keeping runs a keeper on a log, as the guard does, until the test ends.
func keeping(t *testing.T, r *rig, log *spyLog) *keeper {
	t.Helper()
	k := keeperOf(t, r.env, log, nullRecorder{}, func(n uint32) {
		r.loop.Host(intake.HostMessage{Host: interlock.HostKept, On: true, Seq: n})
	})
	ctx, stop := context.WithCancel(context.Background())
	var work sync.WaitGroup
	work.Go(func() { k.run(ctx) })
	t.Cleanup(func() { stop(); work.Wait() })
	r.keep = k.put
	return k
}

// A disk that hangs: the relay opens in the very turn, the guard goes on, and
// only a reset waits. When the disk is back every trip is on it.
//
//fault:row the disk answers a write after seconds (an injected log) | no trip is delayed; reset waits
func TestPromise04_HangingDiskDelaysNoTripAndKeepsResetWaiting(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.live()
	log := &spyLog{hang: make(chan struct{}), inside: make(chan struct{}, 1)}
	k := keeping(t, r, log)
	r.run(50 * ms)
	<-log.inside // the writer hangs in the disk
	r.forget()
	r.say(r.bank(1))
	r.loop.Turn(r.now)
	r.want(interlock.Tripped)
	if !slices.Contains(r.did, "relay off") {
		t.Fatalf("no relay write in the turn: %v", r.did)
	}
	// Long enough for the queue to fill, with further trips on top.
	r.run(8 * time.Second)
	r.mute = true
	r.run(time.Second)
	r.mute = false
	r.run(3 * time.Second)
	if k.lostChunks.Load() == 0 {
		t.Error("the queue did not overflow: the test proves nothing of it")
	}
	r.press("reset")
	r.wantOpen()
	close(log.hang)
	soon(t, "every trip on the disk", func() bool {
		r.run(10 * ms)
		var v interlock.View
		r.eng.View(&v)
		return v.Kept == v.Trips && v.Trips > 1
	})
	if log.lost() == 0 {
		t.Error("the log says nothing of the lost records")
	}
	r.press("reset")
	r.run(11 * time.Second)
	r.want(interlock.Ready)
}

// "Kept" means every trip up to its number: one from the reserved place must
// not speak for one that still waits in the queue.
func TestPromise04_KeptMeansEveryTripBefore(t *testing.T) {
	r := newRig(t)
	log := new(spyLog)
	var told []uint32
	k := keeperOf(t, r.env, log, nullRecorder{}, func(n uint32) { told = append(told, n) })
	trip := func(n uint32) *Batch {
		return &Batch{Decisions: []interlock.Effect{{Kind: interlock.TripEffect, Trip: n, Rule: -1, Permissive: -1, Reason: interlock.ReasonGate}}}
	}
	k.put(trip(1))
	for k.queue.room() != nil {
		k.put(&Batch{Chunk: intake.Chunk{Seq: 1, Source: intake.Pins}})
	}
	k.put(trip(2)) // the queue is full: into the reserved place
	if n := k.lostDecisions.Load(); n != 0 {
		t.Fatalf("%d decisions lost", n)
	}
	k.writeHeld()
	if len(told) != 0 {
		t.Fatalf("told %v while trip 1 waits in the queue", told)
	}
	k.drain()
	if !slices.Equal(told, []uint32{2}) {
		t.Errorf("told %v, want 2 once both are there", told)
	}
	if got := log.trips(); !slices.Equal(got, []string{"2", "1"}) {
		t.Errorf("trips in the log: %v", got)
	}
}

// The reserved place is bounded too; a trip that found no place is never said
// to be kept.
func TestPromise04_TripWithoutAPlaceIsNeverKept(t *testing.T) {
	r := newRig(t)
	log := new(spyLog)
	var told uint32
	k := keeperOf(t, r.env, log, nullRecorder{}, func(n uint32) { told = n })
	for k.queue.room() != nil {
		k.put(&Batch{Chunk: intake.Chunk{Seq: 1, Source: intake.Pins}})
	}
	for n := range uint32(heldTrips + 10) {
		k.put(&Batch{Decisions: []interlock.Effect{{Kind: interlock.TripEffect, Trip: n + 1, Rule: -1, Permissive: -1, Reason: interlock.ReasonGate}}})
	}
	k.drain()
	if told != heldTrips || k.lostDecisions.Load() != 10 {
		t.Errorf("told %d kept and %d lost, want %d and 10", told, k.lostDecisions.Load(), heldTrips)
	}
	if log.lost() != 10 {
		t.Errorf("the log says %d lost, want 10", log.lost())
	}
}

// A day of remarks and of the longest datagrams takes no more room than a few: the
// places of the queue go round, and none keeps the room of a flood.
func TestRemarksTakeNoMoreRoom(t *testing.T) {
	k := keeperOf(t, newRig(t).env, new(spyLog), nullRecorder{}, func(uint32) {})
	long := make([]byte, 60_000)
	for i := range 3 * keepRoom {
		k.put(&Batch{Chunk: intake.Chunk{Seq: 1, Source: intake.Pins, Bytes: long}})
		k.remark(time.Duration(i), "not ready because")
		k.drain()
	}
	kept := 0
	for i := range k.queue.slots {
		kept += cap(k.queue.slots[i].bytes)
	}
	if kept > keepRoom*mostKept || k.lostDecisions.Load() > 0 {
		t.Errorf("the queue keeps %d bytes, %d decisions were lost", kept, k.lostDecisions.Load())
	}
}

// A guard that runs for hours keeps no room for the decisions of every place of its queue
// that some run once went through.
func TestDecisionsTakeNoMoreRoom(t *testing.T) {
	k := keeperOf(t, newRig(t).env, nullLog{}, nullRecorder{}, func(uint32) {})
	for range 4 {
		k.put(&Batch{Decisions: []interlock.Effect{{Kind: interlock.SoundEffect, Rule: -1, Permissive: -1}}})
		k.drain()
	}
	for i := range k.queue.slots {
		if n := cap(k.queue.slots[i].decisions); n > 0 {
			t.Fatalf("place %d keeps room for %d decisions", i, n)
		}
	}
}

// What waits is written by the clock, in one piece; a trip has the writer come at once.
func TestPromise04_ATripIsWrittenAtOnce(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	log := new(spyLog)
	k := keeping(t, r, log)
	for n := range uint32(20) {
		time.Sleep(writeEvery / 5)
		sent := time.Now()
		k.put(&Batch{Decisions: []interlock.Effect{{Kind: interlock.TripEffect, Trip: n + 1, Rule: -1, Permissive: -1, Reason: interlock.ReasonGate}}})
		soon(t, "on the disk", func() bool { return len(log.trips()) == int(n)+1 })
		t.Logf("written after %v", time.Since(sent))
	}
}

// A trip log that fails: the guard goes on and says so, and a reset waits for
// the disk.
//
//fault:row writing or syncing the trip log fails | reset waits; said
func TestPromise04_FailingTripLogKeepsResetWaiting(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.live()
	log := new(spyLog)
	k := keeping(t, r, log)
	log.setFail(errors.New("injected: no room on the disk"))
	r.say(r.bank(1))
	r.run(3 * time.Second)
	r.want(interlock.Tripped)
	soon(t, "the trouble told", func() bool { return k.trouble.Load() != nil })
	if text := *k.trouble.Load(); !contains(text, "trip log") || !contains(text, "no room on the disk") {
		t.Errorf("trouble %q", text)
	}
	r.run(5 * time.Second)
	r.press("reset")
	r.want(interlock.Tripped)
	found := false
	for _, f := range r.decisions {
		found = found || f.Kind == interlock.NoteEffect && f.Reason == interlock.ReasonNotKept
	}
	if !found {
		t.Error("nobody says that the reset waits for the disk")
	}
	log.setFail(nil)
	soon(t, "the trip kept", func() bool {
		r.run(10 * ms)
		var v interlock.View
		r.eng.View(&v)
		return v.Kept == v.Trips
	})
	r.press("reset")
	r.run(11 * time.Second)
	r.want(interlock.Ready)
}

// What people stamp stands in the log as text, and the chunk with its trips as
// comments in the recording.
func TestMarksAndTripsAreNoted(t *testing.T) {
	r := newRig(t)
	log := new(spyLog)
	var comments []string
	k := keeperOf(t, r.env, log, recorderFunc(func(_ intake.Chunk, c ...string) error { comments = append(comments, c...); return nil }), func(uint32) {})
	var rec record
	rec.set(&Batch{At: 5, Chunk: intake.Chunk{Seq: 1, At: 5, Source: intake.HostEvent,
		Bytes: intake.EncodeHost(nil, intake.HostMessage{Host: interlock.HostMark, On: true, Text: "mark: look here"})},
		Decisions: []interlock.Effect{{Kind: interlock.TripEffect, Trip: 1, At: 5, Rule: -1, Permissive: -1, Reason: interlock.ReasonGate}}})
	k.write(&rec)
	if len(log.lines) != 2 || log.lines[0].Text != "mark: look here" || log.lines[0].Kind != triplog.KindHost || log.lines[1].Kind != triplog.KindDecision {
		t.Errorf("lines %+v", log.lines)
	}
	if len(comments) != 1 || !contains(comments[0], `"trip":1`) {
		t.Errorf("comments %q", comments)
	}
}

type recorderFunc func(intake.Chunk, ...string) error

func (f recorderFunc) Put(c intake.Chunk, comments ...string) error { return f(c, comments...) }
func (recorderFunc) Flush() error                                   { return nil }
func (recorderFunc) Sync() error                                    { return nil }
