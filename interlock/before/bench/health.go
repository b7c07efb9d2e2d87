package bench

import (
	"fmt"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/limits"
	"downhaul/rules"
)

// Link is how the craft's frames came in over a recording. It decides nothing.
type Link struct {
	// Lost counts frames that are missing by the craft's own numbering; Breaks
	// counts the places. The number has eight bits: a long silence tells too few.
	Lost   uint64 `json:"lost"`
	Breaks uint64 `json:"breaks"`
	// SilenceS is the longest time without a frame of the craft, from SilenceAtS
	// on; Silences counts those that a guard would take for a lost link.
	SilenceS   float64 `json:"longest_silence_s"`
	SilenceAtS float64 `json:"longest_silence_at_s"`
	Silences   uint64  `json:"silences"`
	// SilentToEndS is the time from the craft's last frame to the end of the recording.
	SilentToEndS float64 `json:"silent_to_end_s"`
	// SilentAfterS is what counts as a silence; 0 where none is judged: the times of raw
	// bytes are the craft's own and estimates.
	SilentAfterS float64 `json:"silent_after_s"`
	// LagS is the greatest lag against the least of ten minutes; null where it
	// cannot be told: raw bytes, whose times are the craft's own, and a craft
	// that tells no boot clock.
	LagS   *float64 `json:"greatest_lag_s"`
	LagAtS float64  `json:"greatest_lag_at_s"`
}

// Ignored is one kind of what was left out of the decisions.
type Ignored struct {
	Count uint64 `json:"count"`
	What  string `json:"what"`
}

// health watches the inputs of a recording for what came in and what did not.
type health struct {
	seen   Link
	silent time.Duration
	known  bool
	seq    uint8
	last   time.Duration
	// The longest silence, and since when it was.
	longest, longestAt time.Duration

	lag   limits.Calculator
	table limits.Table
	// Of each second the least and the greatest difference of the two clocks are
	// asked for: to ask at each frame took a tenth of a replay.
	second      time.Duration // when this one is over
	least, most clocks
	// boots is the craft's clock with the engine time it came at, for jumps of
	// the recording's clock that it does not follow.
	boot, bootAt time.Duration
	bootKnown    bool
	ahead        []string
	aheadMore    int
}

// Ours: what a recording's clock may run ahead of the craft's between two
// frames before it was set and not just late, and how many of these are said
// one by one.
const (
	setAhead  = 5 * time.Second
	mostAhead = 4
)

// clocks are the engine's time and the craft's at one frame.
type clocks struct {
	at   time.Duration
	boot float64 // s
	off  time.Duration
}

func newHealth(site interlock.Site) health {
	h := health{silent: site.LinkStale}
	calcs, err := site.Derived.Calculators(&rules.Envelope{}, func(id rules.ChannelID) bool { return id == rules.LinkLag })
	if err == nil && len(calcs) == 1 {
		h.lag = calcs[0]
	}
	return h
}

func (h *health) see(at time.Duration, inputs []interlock.Input) {
	for i := range inputs {
		switch in := &inputs[i]; in.Kind {
		case interlock.FrameInput:
			h.frame(at, uint8(in.Seq))
		case interlock.SampleInput:
			if in.Sample.Channel == rules.CraftBootClock && in.Sample.Quality == rules.Good {
				h.clock(at, in.Sample.Value)
			}
		}
	}
}

func (h *health) frame(at time.Duration, seq uint8) {
	gap, silence := seq-h.seq-1, at-h.last
	if gap == 0 && silence <= h.longest && silence <= h.silent && h.known {
		h.last, h.seq = at, seq
		return
	}
	if !h.known {
		gap, silence = 0, 0
	}
	if silence > h.silent {
		h.seen.Silences++
	}
	if silence > h.longest {
		h.longest, h.longestAt = silence, h.last
	}
	h.last = at
	// From half the range on it is a frame that was overtaken, unless the link
	// was silent for so long that as many may well be lost.
	if gap >= 128 && silence <= time.Second {
		return
	}
	h.known, h.seq = true, seq
	if gap > 0 {
		h.seen.Breaks++
		h.seen.Lost += uint64(gap)
	}
}

// close takes the silence up to the end of the recording.
func (h *health) close(end time.Duration) {
	if !h.known || end < h.last {
		return
	}
	silence := end - h.last
	h.seen.SilentToEndS = silence.Seconds()
	if silence > h.silent {
		h.seen.Silences++
	}
	if silence > h.longest {
		h.longest, h.longestAt = silence, h.last
	}
}

// clock holds the recording's clock against the craft's own.
func (h *health) clock(at time.Duration, seconds float64) {
	boot := time.Duration(seconds * 1e9)
	if between := at - h.bootAt; h.bootKnown && boot >= h.boot && between-(boot-h.boot) > setAhead {
		if len(h.ahead) < mostAhead {
			h.ahead = append(h.ahead, fmt.Sprintf("at %.2f s the recording's clock moves on by %.1f s, the craft's own by only %.1f s: what waited for time there (silences, delays) may never have lasted so long",
				h.bootAt.Seconds(), between.Seconds(), (boot-h.boot).Seconds()))
		} else {
			h.aheadMore++
		}
	}
	h.boot, h.bootAt, h.bootKnown = boot, at, true
	if h.lag == nil {
		return
	}
	now := clocks{at, seconds, at - boot}
	switch {
	case at >= h.second:
		h.lagged()
		h.second, h.least, h.most = at+time.Second, now, now
	case now.off < h.least.off:
		h.least = now
	case now.off > h.most.off:
		h.most = now
	}
}

// lagged takes the second that is over.
func (h *health) lagged() {
	if h.second == 0 {
		return // none was
	}
	told := [2]clocks{h.least, h.most}
	if h.most.at < h.least.at {
		told = [2]clocks{h.most, h.least}
	}
	for _, c := range told {
		h.table[rules.CraftBootClock] = limits.Reading{At: c.at, Value: c.boot, Quality: rules.Good}
		if r, ok := h.lag.Sample(c.at, &h.table); ok && r.Quality != rules.Missing && (h.seen.LagS == nil || r.Value > *h.seen.LagS) {
			h.seen.LagS, h.seen.LagAtS = &r.Value, c.at.Seconds()
		}
	}
}

// link is what was seen of it.
func (h *health) link() Link {
	h.lagged()
	l := h.seen
	if h.silent < rules.Never {
		l.SilentAfterS = h.silent.Seconds()
	}
	l.SilenceS, l.SilenceAtS = h.longest.Seconds(), h.longestAt.Seconds()
	return l
}

// notes returns where the recording's clock cannot be trusted.
func (h *health) notes() []string {
	if h.aheadMore > 0 {
		return append(h.ahead, fmt.Sprintf("the clock moved on like that %d more times", h.aheadMore))
	}
	return h.ahead
}

// mostOthers bounds the other senders that are told apart; more are only counted. Ours.
const mostOthers = 32

// other is a sender that is not the craft.
type other struct {
	system, component uint8
	frames            uint64
}

// others are the first mostOthers of these, in the order in which they were heard.
type others struct{ list []other }

func (o *others) note(system, component uint8) {
	for i := range o.list {
		if e := &o.list[i]; e.system == system && e.component == component {
			e.frames++
			return
		}
	}
	if len(o.list) < mostOthers {
		o.list = append(o.list, other{system, component, 1})
	}
}

// ignoredWhy lists what the intake left out, with the reason.
func ignoredWhy(counts intake.Counts, others []other) []Ignored {
	var all intake.LinkCounts
	for _, l := range counts.Links {
		all.Others += l.Others
		all.WrongAddress += l.WrongAddress
		all.Repeated += l.Repeated
		all.Late += l.Late
		all.UnknownIDs += l.UnknownIDs
	}
	out := []Ignored{}
	say := func(n uint64, what string) {
		if n > 0 {
			out = append(out, Ignored{n, what})
		}
	}
	named := uint64(0)
	for _, o := range others {
		named += o.frames
		say(o.frames, fmt.Sprintf("of another sender, %d.%d", o.system, o.component))
	}
	say(all.Others-min(named, all.Others), "of other senders")
	say(all.WrongAddress, "under the craft's identity from another address")
	say(all.Repeated, "repeated: said before, or of a clock that had not moved on")
	say(all.Late, "overtaken by younger ones")
	say(all.UnknownIDs, unknownID)
	say(counts.BadRecords, "chunks that are not in their form")
	say(counts.FailedReads, "readings that the board could not make")
	return out
}
