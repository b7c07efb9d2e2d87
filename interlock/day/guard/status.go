package guard

import (
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry/signing"
)

// latest hands copies of a thing from one goroutine to one other: the newest that was
// given. Neither ever waits: of three places the giver has one, the taker one, and the
// third is what was given last. Places keep what they hold.
type latest[T any] struct {
	places     [3]T
	last       atomic.Uint32 // the third place, and unseen while nobody took it
	own, taken uint32        // the giver's, the taker's
}

const unseen = 4

func newLatest[T any]() *latest[T] { return &latest[T]{own: 1, taken: 2} }

// room is the place of the next thing to give, with what was in it. give hands it over.
func (l *latest[T]) room() *T { return &l.places[l.own] }

func (l *latest[T]) give() { l.own = l.last.Swap(l.own|unseen) &^ unseen }

// take is the newest thing, the taker's until it takes again.
func (l *latest[T]) take() *T {
	if l.last.Load()&unseen != 0 {
		l.taken = l.last.Swap(l.taken) &^ unseen
	}
	return &l.places[l.taken]
}

// picture is what the loop shows of itself.
type picture struct {
	answers.Seen
	output error
	passed signing.Passed // the door for signed frames
}

// snapshot hands pictures of the loop to whoever asks. The loop never waits for them.
type snapshot struct {
	*latest[picture]
	mu sync.Mutex // among those who ask; the loop takes none

	// The loop's own.
	counts intake.Counts
	frames uint64         // heard until the last picture
	heard  time.Duration  // when that had grown
	before interlock.View // of the last picture: its signs and when, which the next one needs
}

func newSnapshot() snapshot { return snapshot{latest: newLatest[picture]()} }

// draw copies what can be seen of the loop, on the loop's own goroutine. give shows it.
func (s *snapshot) draw(l *Loop) *picture {
	p := s.room()
	p.View.Signs, p.View.At = append(p.View.Signs[:0], s.before.Signs...), s.before.At
	l.cfg.Engine.View(&p.View)
	s.before.Signs, s.before.At = append(s.before.Signs[:0], p.View.Signs...), p.View.At
	p.Readings = p.Readings[:0]
	for _, id := range answers.Shown {
		p.Readings = append(p.Readings, l.cfg.Engine.Reading(id))
	}
	l.cfg.Intake.CountsTo(&s.counts)
	if p.Link = linkStatus(s.counts, l.unkeptAll); p.Link.Frames != s.frames {
		s.frames, s.heard = p.Link.Frames, p.View.At
	}
	p.Heard, p.output = s.heard, l.outputErr
	p.Trips, p.Acts = l.past.copyTo(p.Trips[:0], p.Acts[:0])
	p.Loop = answers.LoopStatus{Turns: l.turns, WorstGapS: l.worst.Seconds(), Dropped: l.Dropped()}
	return p
}

// copied returns a copy that shares nothing with the snapshot: whoever answers
// holds no lock while it asks others.
func (s *snapshot) copied() picture {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := *s.take()
	v := &out.View
	v.Unmet, v.Rules, v.Permissives = slices.Clone(v.Unmet), slices.Clone(v.Rules), slices.Clone(v.Permissives)
	v.Holds, v.Signs = slices.Clone(v.Holds), slices.Clone(v.Signs)
	out.Readings, out.Trips, out.Acts = slices.Clone(out.Readings), slices.Clone(out.Trips), slices.Clone(out.Acts)
	out.passed.Streams = slices.Clone(out.passed.Streams)
	return out
}

// state returns the state of the last snapshot, and whether the chain is closed.
func (s *snapshot) state() (_ interlock.State, closed bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	v := &s.take().View
	return v.State, v.Closed
}

// State returns the state that Seen would tell, without the rest of it.
func (g *Guard) State() string {
	state, _ := g.shot.state()
	return state.String()
}

// Files returns what the guard runs on.
func (g *Guard) Files() *answers.Files { return &g.files }

// Seen returns the last snapshot with what the guard knows beside it.
func (g *Guard) Seen() *answers.Seen {
	shown := g.shot.copied()
	out := &shown.Seen
	out.Schema, out.Session, out.Folder, out.Mark = answers.SeenSchema, g.session.Info.Session, g.session.Dir, g.session.Info.Mark
	out.Age, out.NotReady = max(0, g.now()-out.View.At), g.notReady(&out.View)
	out.Loop.LostRecords = g.keeper.lostChunks.Load() + g.keeper.lostDecisions.Load()
	out.Declared, out.Counted = g.showDeclared(), g.counted()
	if p := g.declared.proof.Load(); p != nil {
		out.Packs = p.Packs
	}
	out.Words, out.WordsMore = *g.keeper.says.newest.Load(), g.keeper.says.unkept.Load()
	g.toldMu.Lock()
	out.Said = slices.Clone(g.told)
	g.toldMu.Unlock()
	for _, t := range []*string{g.keeper.gone.Load(), g.keeper.trouble.Load(), g.unkept.Load()} {
		if t != nil {
			out.Trouble = append(out.Trouble, *t)
		}
	}
	if g.doorway != nil {
		out.Signing = answers.SigningStatus{Counts: shown.passed.Counts, On: true}
	}
	if shown.output != nil {
		out.Trouble = append(out.Trouble, "outputs: "+shown.output.Error())
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

// notReady is the one list of what stands against a start, with value, limit
// and reason; status, page and log tell it alike. While live there is none:
// what is lost then is no trip, and stands with the permissives.
func (g *Guard) notReady(v *interlock.View) []string {
	out := []string{}
	if v.State == interlock.Live || v.State == interlock.Lowering {
		return out
	}
	if v.Trips == 0 && (v.State == interlock.Tripped || v.State == interlock.Fault) {
		for _, e := range g.before { // nothing else brought it here
			out = append(out, e.Says)
		}
	}
	known := map[interlock.Need][]string{interlock.NeedProof: g.dueTests(), interlock.NeedCard: g.declared.asking(), interlock.NeedLedger: g.ledgerHolds()}
	if gone := g.keeper.gone.Load(); gone != nil {
		known[interlock.NeedDisk], known[interlock.NeedKept] = []string{*gone}, []string{*gone}
	}
	for _, u := range v.Unmet {
		if says := known[u.Need]; len(says) > 0 {
			out = append(out, says...)
			continue
		}
		out = append(out, v.Say(g.env, u))
	}
	return out
}

// wasTold remembers what somebody did over the local socket.
func (g *Guard) wasTold(what, by string) {
	at := g.now()
	g.toldMu.Lock()
	defer g.toldMu.Unlock()
	g.told = append(g.told, answers.ActStatus{At: at.Seconds(), What: what, By: by})
	g.told = g.told[max(0, len(g.told)-answers.MostActs):]
}

// Dropped is how many chunks were dropped because the loop was too slow.
func (l *Loop) Dropped() uint64 { return l.inbox.dropped() + l.unread }

// dropped is how many chunks the loop never saw.
func (b *inbox) dropped() (all uint64) {
	for i := range b.lanes {
		all += b.lanes[i].drops.Load()
	}
	return all
}
