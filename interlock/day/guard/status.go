package guard

import (
	"slices"
	"sync"

	"downhaul/interlock"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/intake"
)

// snapshot is what the loop copies for whoever asks. The loop never waits for
// it: while somebody copies it out, this round is left out.
type snapshot struct {
	mu sync.Mutex
	answers.Seen
	taken  bool
	counts intake.Counts
	output error
}

// take copies what can be seen of the loop, on the loop's own goroutine. It reports
// false when somebody is copying it out at this moment.
func (s *snapshot) take(l *Loop) bool {
	if !s.mu.TryLock() {
		return false
	}
	defer s.mu.Unlock()
	s.taken = true
	l.cfg.Engine.View(&s.View)
	s.Readings = s.Readings[:0]
	for _, id := range answers.Shown {
		s.Readings = append(s.Readings, l.cfg.Engine.Reading(id))
	}
	l.cfg.Intake.CountsTo(&s.counts)
	frames := s.Link.Frames
	if s.Link = linkStatus(s.counts, l.unkeptAll); s.Link.Frames != frames {
		s.Heard = s.View.At
	}
	s.Trips, s.Acts = l.past.copyTo(s.Trips[:0], s.Acts[:0])
	s.Loop = answers.LoopStatus{Turns: l.turns, WorstGapS: l.worst.Seconds(), Dropped: l.Dropped()}
	s.output = l.outputErr
	return true
}

// copied returns a copy that shares nothing with the snapshot: whoever answers
// holds no lock while it asks others.
func (s *snapshot) copied() (answers.Seen, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := s.Seen
	v := &out.View
	v.Unmet, v.Rules, v.Permissives, v.Holds = slices.Clone(v.Unmet), slices.Clone(v.Rules), slices.Clone(v.Permissives), slices.Clone(v.Holds)
	v.Signs = slices.Clone(v.Signs)
	out.Readings, out.Trips, out.Acts = slices.Clone(out.Readings), slices.Clone(out.Trips), slices.Clone(out.Acts)
	return out, s.output
}

// state returns the state of the last snapshot, and whether the chain is closed.
func (s *snapshot) state() (_ interlock.State, closed bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.View.State, s.View.Closed
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
	out, output := g.shot.copied()
	out.Schema, out.Session, out.Folder, out.Mark = answers.SeenSchema, g.session.Info.Session, g.session.Dir, g.session.Info.Mark
	out.Age, out.NotReady = max(0, g.now()-out.View.At), g.notReady(&out.View)
	out.Loop.LostRecords = g.keeper.lostChunks.Load() + g.keeper.lostDecisions.Load()
	out.Declared, out.Counted, out.Signing = g.showDeclared(), g.counted(), g.signing()
	out.Words, out.WordsMore = *g.keeper.says.newest.Load(), g.keeper.says.unkept.Load()
	g.toldMu.Lock()
	out.Said = slices.Clone(g.told)
	g.toldMu.Unlock()
	for _, t := range []*string{g.keeper.gone.Load(), g.keeper.trouble.Load(), g.unkept.Load()} {
		if t != nil {
			out.Trouble = append(out.Trouble, *t)
		}
	}
	if output != nil {
		out.Trouble = append(out.Trouble, "outputs: "+output.Error())
	}
	return &out
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

// dropped is how many chunks the loop never saw; what strangers lose is told apart.
func (b *inbox) dropped() (all uint64) {
	for i := range laneStrangers {
		all += b.lanes[i].drops.Load()
	}
	return all
}
