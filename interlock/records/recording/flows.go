package recording

import (
	"fmt"
	"net/netip"
	"slices"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry"
)

// flow is what went from one address to another.
type flow struct{ from, to netip.AddrPort }

func (f flow) String() string { return fmt.Sprintf("%v to %v", f.from, f.to) }

// seenFlow is what a first look saw of one flow.
type seenFlow struct {
	flow
	frames  uint64
	sampled map[uint64]int64 // frames by a hash of their bytes, with the time of the packet
	again   int              // of these, how many came again with the very time
}

// Ours. Of the frames one in flowSample is compared, chosen by the end of its checksum or
// signature and so the same ones in every flow, at most mostSampled a flow; fewer than leastSampled say nothing.
// A flow of which half was heard on a denser one is that one once more. mostFlows bounds
// the flows that are compared.
const (
	flowSample   = 8
	mostSampled  = 8192
	leastSampled = 4
	mostFlows    = 64
)

// survey reads a capture of others through once and says which flows are one link
// recorded twice, and whether its packets stand in it twice. A craft that is heard on
// two flows would be taken for two crafts, and one capture merged with itself for a
// craft that started again.
type survey struct{ flows []*seenFlow }

// sumOf tells bytes apart: FNV-1a (http://www.isthe.com/chongo/tech/comp/fnv/, from
// memory), folded so that its low bits hang on all.
func sumOf(b []byte) uint64 {
	h := uint64(0xCBF29CE484222325)
	for _, v := range b {
		h = (h ^ uint64(v)) * 0x100000001B3
	}
	return h ^ h>>29
}

func (s *survey) take(c *intake.Chunk, ns int64) {
	if c.Source != intake.Telemetry || !c.From.IsValid() {
		return
	}
	of := flow{c.From, c.To}
	i := slices.IndexFunc(s.flows, func(f *seenFlow) bool { return f.flow == of })
	if i < 0 {
		if len(s.flows) == mostFlows {
			return
		}
		i = len(s.flows)
		s.flows = append(s.flows, &seenFlow{flow: of, sampled: map[uint64]int64{}})
	}
	f := s.flows[i]
	var scan telemetry.Scanner
	var frame telemetry.Frame
	b := c.Bytes
	for used, ok := scan.NextInto(&frame, b, true); ok; used, ok = scan.NextInto(&frame, b, true) {
		b = b[used:]
		f.frames++
		if frame.Raw[len(frame.Raw)-1]%flowSample != 0 {
			continue
		}
		h := sumOf(frame.Raw)
		if at, known := f.sampled[h]; known {
			if at == ns {
				f.again++
			}
		} else if len(f.sampled) < mostSampled {
			f.sampled[h] = ns
		}
	}
}

// doubled are the flows that are another one once more, with that one.
func (s *survey) doubled() (drop map[flow]bool, notes []string) {
	slices.SortStableFunc(s.flows, func(a, b *seenFlow) int { return int(int64(b.frames) - int64(a.frames)) })
	var kept []*seenFlow
	for _, f := range s.flows {
		same := slices.IndexFunc(kept, func(k *seenFlow) bool { return f.within(k) })
		if same < 0 {
			kept = append(kept, f)
			continue
		}
		if drop == nil {
			drop = map[flow]bool{}
		}
		drop[f.flow] = true
		notes = append(notes, fmt.Sprintf("the flow from %v (%d frames) is the one from %v (%d frames) recorded once more: it is left out; --port takes what went to one port", f.flow, f.frames, kept[same].flow, kept[same].frames))
	}
	return drop, notes
}

// within reports whether half of what was compared of a flow was heard on another.
func (f *seenFlow) within(k *seenFlow) bool {
	n := 0
	for h := range f.sampled {
		if _, ok := k.sampled[h]; ok {
			n++
		}
	}
	return len(f.sampled) >= leastSampled && 2*n >= len(f.sampled)
}

// merged reports whether the capture was merged with itself: a quarter of some flow's
// frames came again with the very time that they had, which no repeater can do.
func (s *survey) merged() bool {
	return slices.ContainsFunc(s.flows, func(f *seenFlow) bool {
		return f.again >= leastSampled && 4*f.again >= len(f.sampled)
	})
}

// LookedThrough looks a capture of others through for flows that are one link recorded
// twice, as every opening does that is not given it; for who opens it more than once.
func LookedThrough(name string, how ...Option) Option {
	var given Reader
	for _, o := range how {
		o(&given)
	}
	if given.looked {
		return func(*Reader) {}
	}
	drop, merged, notes := surveyed(name, how)
	return func(r *Reader) { r.looked, r.drop, r.once.on, r.flowNotes = true, drop, merged, notes }
}

// surveyed looks a capture of others through before it is read.
func surveyed(name string, how []Option) (drop map[flow]bool, merged bool, notes []string) {
	r, err := openOne(name, append(slices.Clone(how), PastDamage(), Counting(nil)))
	if err != nil || r.own || r.raw != nil {
		if r != nil {
			_ = r.Close()
		}
		return nil, false, nil // what is wrong with it is told by who reads it
	}
	defer r.Close()
	var s survey
	for {
		c, err := r.Next()
		if err != nil {
			break
		}
		s.take(c, r.wall)
	}
	drop, notes = s.doubled()
	return drop, s.merged(), notes
}

// once passes over packets that stand in a capture a second time.
type once struct {
	on     bool
	recent [256]uint64 // of the packets before
	next   int
	most   int64 // the latest time so far
	passed uint64
}

// has reports whether the packet came before: the same bytes with the same time, or one
// that is older than what was read by more than packets are out of order, as where a
// second copy was put behind the first.
func (o *once) has(ns int64, b []byte) bool {
	if !o.on {
		return false
	}
	h := sumOf(b) ^ uint64(ns)
	if ns < o.most-int64(agree) || slices.Contains(o.recent[:], h) {
		o.passed++
		return true
	}
	o.recent[o.next] = h
	o.next = (o.next + 1) % len(o.recent)
	o.most = max(o.most, ns)
	return false
}
