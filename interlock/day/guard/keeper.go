package guard

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry/link"
	"downhaul/interlock/day/telemetry/words"
	"downhaul/interlock/records/ledger"
	"downhaul/interlock/records/stopping"
	"downhaul/interlock/records/triplog"
	"downhaul/rules"
)

// tripLog and recorder are what the keeper needs of the session's two files.
type tripLog interface {
	Append(line triplog.Line, durable bool) error
	Sync() error
}

type recorder interface {
	Put(c intake.Chunk, comments ...string) error
	Flush() error
	Sync() error
}

// keepRoom is how many batches wait for the writer: some seven seconds at 300 chunks a second.
const keepRoom = 2048

// writeEvery is how long the writer lets batches gather: what a process that is killed
// loses of a recording. mostKept bounds the room that a place of the queue keeps for the
// bytes of the next batch; ours, more than a frame of Ethernet.
const (
	writeEvery = 100 * time.Millisecond
	mostKept   = 2048
)

// mostAsks bounds how many wait for the writer to do something for them; ours.
const mostAsks = 16

// heldTrips bounds the reserved place for trips while the queue is full.
const heldTrips = 1024

// keeper writes records in a goroutine of its own. The loop hands batches over and never waits:
// a full queue costs chunks, which are counted, but a trip goes to a reserved place and is kept.
type keeper struct {
	env  *rules.Envelope
	log  tripLog
	rec  recorder
	kept func(trip uint32) // called once trips up to this number are on disk; 0 takes it back
	// remember notes the latch's state outside the session's folder; nil where nothing stands between sessions.
	remember func(state string) error
	// stands returns an error while a file of the session is not the one that stands
	// under its name; nil is nobody to ask.
	stands func() error
	// queue brings batches from the loop, held the trips and moves of the latch that found
	// no room there. bell ends the writer's wait.
	queue *ring[record]
	held  *ring[heldEffect]
	bell  *link.Waiter
	// faulted puts a fault of the chain into the ledger; nil is no ledger.
	faulted func(interlock.Effect) error
	// openings are what the loop saw of them, for opened. asks is what others than the loop have
	// the writer do between two records; tend is called once a second, nil is nothing.
	openings *ring[stopping.Seen]
	opened   func(stopping.Seen)
	asks     chan func()
	tend     func()

	given uint64 // batches so far; the loop's own

	lostChunks    atomic.Uint64
	lostDecisions atomic.Uint64
	trouble       atomic.Pointer[string]
	gone          atomic.Pointer[string] // how records are not where they were written; nil while they are

	// The writer goroutine's own.
	runs       runBook
	says       says
	syncAt     time.Time
	text       []byte
	highest    uint32   // every trip up to this one was appended
	early      []uint32 // trips appended before one of lower number
	told       uint32   // highest trip told as kept
	owesNote   bool     // a trip was decided since the last note of the state
	saidGone   bool     // the records are gone, and that was noted
	saidChunks uint64
	flashed    bool // the lamp has flashed: at flash, for the state flashFor
	flash      time.Duration
	flashFor   interlock.State
	now        time.Duration
	state      interlock.State
	stateOf    uint64 // the batch that told it
}

// heldEffect is a decision of the batch of that number.
type heldEffect struct {
	n uint64
	f interlock.Effect
}

// record is a batch with bytes of its own.
type record struct {
	n         uint64 // of the batch, as the loop gave them
	chunk     intake.Chunk
	bytes     []byte
	at        time.Duration
	decisions []interlock.Effect
	text      string // a remark of the guard's own, and nothing else
}

func newKeeper(env *rules.Envelope, log tripLog, rec recorder, kept func(uint32)) (*keeper, error) {
	bell, err := link.NewWaiter()
	if err != nil {
		return nil, err
	}
	k := &keeper{env: env, log: log, rec: rec, kept: kept, bell: bell,
		queue: newRing[record](keepRoom), held: newRing[heldEffect](heldTrips), openings: newRing[stopping.Seen](mostAsks), asks: make(chan func(), mostAsks)}
	k.says.parts = newRing[part](mostParts)
	k.says.newest.Store(new([]words.Said))
	return k, nil
}

// put takes one batch from the loop; it never blocks. The writer comes by the clock, and
// at once for what must be on disk before a reset.
func (k *keeper) put(b *Batch) {
	k.given++
	r := k.queue.room()
	if r != nil {
		r.set(b)
		r.n = k.given
		k.queue.give()
	} else if b.Chunk.Seq != 0 {
		k.lostChunks.Add(1)
	}
	for _, f := range b.Decisions {
		must := lasting(f)
		if h := k.held.room(); r == nil && must && h != nil {
			*h = heldEffect{k.given, f}
			k.held.give()
		} else if r == nil {
			k.lostDecisions.Add(1)
		}
		if must { // behind its giving: a writer that is woken looks once
			k.bell.Wake()
		}
	}
}

// remark has the writer put a line of text into the log; it never blocks. The loop's own goroutine.
func (k *keeper) remark(at time.Duration, text string) {
	r := k.queue.room()
	if r == nil {
		k.lostDecisions.Add(1)
		return
	}
	r.set(&Batch{At: at})
	r.text = text
	k.queue.give()
}

// ask has the writer do something between two records, soon; false where too many wait. Never the loop's.
func (k *keeper) ask(f func()) bool {
	select {
	case k.asks <- f:
		k.bell.Wake()
		return true
	default:
		return false
	}
}

func (r *record) set(b *Batch) {
	r.text = ""
	r.bytes = append(r.bytes[:0], b.Chunk.Bytes...)
	r.chunk, r.at = b.Chunk, b.At
	r.chunk.Bytes = r.bytes
	r.decisions = append(r.decisions[:0], b.Decisions...)
}

// lasting reports whether a decision must be on disk before a reset.
func lasting(f interlock.Effect) bool {
	return f.Kind == interlock.TripEffect ||
		f.Kind == interlock.StateEffect && (f.State == interlock.Tripped || f.State == interlock.Fault)
}

// run writes until ctx ends, then what is left. Behind a slow sync it goes on at once.
func (k *keeper) run(ctx context.Context) {
	defer context.AfterFunc(ctx, k.bell.Wake)()
	for ctx.Err() == nil {
		began := time.Now()
		k.round(began)
		k.bell.Wait(writeEvery-time.Since(began), nil, nil)
	}
	k.drain()
}

// round writes what waits, and syncs: with a disk that is quick, once a second at least.
func (k *keeper) round(now time.Time) {
	k.writeAll()
	if now.Before(k.syncAt) {
		return
	}
	k.syncAt = now.Add(time.Second - 2*writeEvery)
	k.sync()
	if k.tend != nil {
		k.tend()
	}
}

// drain writes everything that waits and syncs.
func (k *keeper) drain() {
	k.writeAll()
	k.writeSays(false)
	k.says.joiner.End(k.say)
	k.sync()
}

// writeAll writes what waits and does what was asked.
func (k *keeper) writeAll() {
	for {
		if r := k.queue.next(); r != nil {
			k.write(r)
			r.decisions = nil // few batches bring any: in an hour every place would keep room for them
			if cap(r.bytes) > mostKept {
				r.bytes = nil
			}
			k.queue.done()
			continue
		}
		if x := k.openings.next(); x != nil {
			k.opened(*x)
			k.openings.done()
			continue
		}
		select {
		case f := <-k.asks:
			f()
		default:
			k.writeHeld()
			k.failed("recording", k.rec.Flush())
			return
		}
	}
}

// write keeps one record: its decisions first, trips at once and safely, then
// the chunk with the trips as comments on it.
func (k *keeper) write(r *record) {
	k.now = r.at
	k.writeHeld()
	if r.text != "" {
		k.noteText(r.text)
		return
	}
	k.note(r)
	var comments []string
	for _, f := range r.decisions {
		k.decide(r.n, f)
		if f.Kind == interlock.TripEffect {
			comments = append(comments, string(interlock.AppendDecision(nil, k.env, f)))
		}
	}
	if r.chunk.Seq != 0 {
		k.failed("recording", k.rec.Put(r.chunk, comments...))
		comments = nil
	}
	for _, f := range r.decisions {
		k.text = interlock.AppendDecision(k.text[:0], k.env, f)
		k.failed("recording", k.rec.Put(intake.Chunk{Source: intake.Decisions, At: r.at, Bytes: k.text}, comments...))
		comments = nil
	}
	k.writeRuns(r.at)
	k.writeSays(false)
}

// noteText puts a remark into the trip log.
func (k *keeper) noteText(text string) {
	k.failed("trip log", k.log.Append(triplog.Line{At: k.now, Kind: triplog.KindNote, State: k.state.String(), Text: text}, false))
}

// decide keeps one decision of batch n.
func (k *keeper) decide(n uint64, f interlock.Effect) {
	k.text = interlock.AppendDecision(k.text[:0], k.env, f)
	// One from the reserved place overtakes what waits in the queue: an older move of
	// the latch is no state any more.
	if f.Kind == interlock.StateEffect && n >= k.stateOf {
		k.state, k.stateOf = f.State, n
	}
	k.runs.saw(&f)
	durable := lasting(f)
	err := k.log.Append(triplog.Line{At: f.At, Kind: triplog.KindDecision, State: k.state.String(), Decision: k.text, Text: k.fromFlash(f)}, durable)
	k.failed("trip log", err)
	if f.Kind == interlock.TripEffect && !errors.Is(err, triplog.ErrDropped) {
		k.appended(f.Trip)
	}
	if !durable {
		return
	}
	if err == nil {
		k.tell()
	}
	// The note is wanted most where the log did not take it.
	k.owesNote = true
	if f.Kind == interlock.StateEffect {
		k.noteState()
	}
	if k.faulted != nil && ledger.Seen(&f) {
		k.failed("ledger", k.faulted(f))
	}
}

// fromFlash counts from the last flash of the lamp, for whoever holds a film of the pad beside the log.
func (k *keeper) fromFlash(f interlock.Effect) string {
	switch f.Kind {
	case interlock.LampEffect:
		k.flashed, k.flash, k.flashFor = true, f.At, f.State
		return "the lamp flashes for " + f.State.String()
	case interlock.TripEffect, interlock.StateEffect, interlock.CautionEffect:
		if k.flashed {
			return fmt.Sprintf("%.3f s after the flash for %v", (f.At - k.flash).Seconds(), k.flashFor)
		}
	}
	return ""
}

// note puts what people said or stamped into the trip log as text.
func (k *keeper) note(r *record) {
	if r.chunk.Source != intake.HostEvent || r.chunk.Seq == 0 {
		return
	}
	m, ok := intake.DecodeHost(r.bytes)
	if !ok || m.Text == "" {
		return
	}
	k.runs.heard(m)
	k.failed("trip log", k.log.Append(triplog.Line{At: r.at, Kind: triplog.KindHost, State: k.state.String(), Text: m.Text}, false))
}

// writeHeld puts the reserved trips, and what was lost beside them, on record.
func (k *keeper) writeHeld() {
	for h := k.held.next(); h != nil; h = k.held.next() {
		k.decide(h.n, h.f)
		k.held.done()
	}
	lost := k.lostChunks.Load() + k.lostDecisions.Load()
	if lost > k.saidChunks {
		k.failed("trip log", k.log.Append(triplog.Line{At: k.now, Kind: triplog.KindLost, Count: lost - k.saidChunks,
			Text: "records could not be kept: the disk was too slow"}, false))
		k.saidChunks = lost
	}
}
