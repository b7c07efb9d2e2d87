package guard

import (
	"fmt"
	"sync/atomic"
	"time"

	"downhaul/interlock/day/telemetry/words"
)

// Ours: the frames with words of the craft that wait for the writer, and the newest
// texts that the status shows.
const mostParts, mostSays = 64, 8

// says takes what the craft says in words to the log, as remarks, and to the status.
// It decides nothing. The loop leaves frames and never waits; the writer joins them.
type says struct {
	parts  *ring[part]
	unkept atomic.Uint64 // frames and texts that came too fast
	newest atomic.Pointer[[]words.Said]
	// The writer's own.
	joiner words.Joiner
	often  [2]rate // of notices, and of what is a warning or worse
	told   uint64
}

// part is one frame with words.
type part struct {
	at    time.Duration
	bytes [words.MostPayload]byte
}

// hear leaves a frame for the writer.
func (s *says) hear(at time.Duration, payload []byte) {
	p := s.parts.room()
	if p == nil {
		s.unkept.Add(1)
		return
	}
	*p = part{at: at}
	copy(p.bytes[:], payload)
	s.parts.give()
}

// writeSays keeps what the craft said since; sync is set once a second.
func (k *keeper) writeSays(sync bool) {
	s := &k.says
	for p := s.parts.next(); p != nil; p = s.parts.next() {
		s.joiner.Hear(p.at, p.bytes[:], k.say)
		s.parts.done()
	}
	if !sync {
		return
	}
	s.joiner.Overdue(k.now, k.say)
	if n := s.unkept.Load(); n > s.told {
		k.noteText(fmt.Sprintf("the craft said more than is kept here: %d texts, or parts of texts, came too fast", n-s.told))
		s.told = n
	}
}

// say puts a text into the log. A craft that talks without end fills neither log nor
// status, and its chatter takes no room from its warnings.
func (k *keeper) say(t words.Said) {
	s, class := &k.says, 0
	if t.Severity <= words.Warning {
		class = 1
	}
	if !s.often[class].take(time.Unix(0, int64(k.now))) {
		s.unkept.Add(1)
		return
	}
	k.noteText(t.Remark())
	list := append([]words.Said{t}, *s.newest.Load()...)
	list = list[:min(len(list), mostSays)]
	s.newest.Store(&list)
}
