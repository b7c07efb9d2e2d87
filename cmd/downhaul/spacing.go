package main

import (
	"fmt"
	"strings"
	"time"

	"downhaul/interlock/before/bench"
	"downhaul/interlock/day/derived"
	"downhaul/interlock/pad"
	"downhaul/rules"
)

// spacing is how far apart the values of one channel came while the craft was heard at
// all: what a whole link is silent for is told of the link alone (link.age).
type spacing struct {
	Channel string `json:"channel"`
	// EveryS is the time within which nine of ten came.
	EveryS   float64 `json:"every_s"`
	LongestS float64 `json:"longest_s"`
	// Gaps are the times between two, rounded up to two figures of a millisecond, each
	// with how often it came.
	Gaps [][2]float64 `json:"gaps_s"`
	id   rules.ChannelID
}

// hush takes a frame of the sender, or the end: how long it was silent before.
func (s *sender) hush(at time.Duration) {
	h := &s.channels[rules.LinkAge]
	if h.samples > 0 {
		gap := at - h.last
		h.gaps.Add(gap)
		if gap >= bench.SilentLink {
			s.quiet += gap
		}
	}
	h.samples++
	h.last = at
}

// spaced notes how long a channel was not told, the silence of the whole link left out.
func (h *heard) spaced(at, quiet time.Duration) {
	h.gaps.Add(max(0, at-h.last-(quiet-h.quiet)))
	h.quiet = quiet
}

// spacings are those of every channel that the sender told more than once.
func (s *sender) spacings() []spacing {
	out := []spacing{}
	for id := range rules.ChannelCount {
		if g := &s.channels[id].gaps; g.Rows() != nil {
			out = append(out, spacing{Channel: id.String(), id: id, EveryS: g.Spacing().Seconds(), LongestS: g.Longest.Seconds(), Gaps: g.Rows()})
		}
	}
	return out
}

// longer counts the gaps that are longer than a value may be old, and gives the longest.
func (s *spacing) longer(old time.Duration) (times int) {
	for _, g := range s.Gaps {
		if g[0] > old.Seconds() {
			times += int(g[1])
		}
	}
	return times
}

// every is the time within which nine of ten came.
func (s *spacing) every() time.Duration { return time.Duration(s.EveryS * float64(time.Second)) }

// spacingOf finds a channel's spacing; nil where it was not heard twice.
func spacingOf(all []spacing, id rules.ChannelID) *spacing {
	for i := range all {
		if all[i].Channel == id.String() {
			return &all[i]
		}
	}
	return nil
}

// mostSlow are the signs that a pad file may state to come seldom, with the longest.
var mostSlow = func() (out []struct {
	id    rules.ChannelID
	every time.Duration
}) {
	for _, row := range pad.MaySlow() {
		sign, _ := rules.Lookup(row[0])
		every, _ := rules.ParseDuration(row[1])
		out = append(out, struct {
			id    rules.ChannelID
			every time.Duration
		}{sign.ID, every})
	}
	return out
}()

// cameFastest is the channel of several that came fastest, NoChannel where none did.
func cameFastest(all []spacing, any []rules.ChannelID) (best rules.ChannelID) {
	for _, id := range any {
		if s := spacingOf(all, id); s != nil && (best == rules.NoChannel || s.EveryS < spacingOf(all, best).EveryS) {
			best = id
		}
	}
	return best
}

// signSource is the measured channel by which a sign comes, where the pad takes those
// sources of height and climb; climb NoChannel is the one that goes with the height.
func signSource(sign, height, climb rules.ChannelID) rules.ChannelID {
	switch sign {
	case rules.Height:
		return height
	case rules.Climb:
		if climb == rules.NoChannel {
			climb = derived.ClimbPartner(height)
		}
		return climb
	case rules.MotorHighest:
		return rules.Motor1Output
	}
	return sign
}

// comesEvery is how far apart the signs come that come more seldom than they are usually
// waited for, by sign, and what comes too seldom for any pad file.
func comesEvery(all []spacing, height, climb rules.ChannelID) (every map[string]string, tooSeldom []string) {
	every, tooSeldom = map[string]string{}, []string{}
	for _, row := range pad.MaySlow() {
		sign, _ := rules.Lookup(row[0])
		s := spacingOf(all, signSource(sign.ID, height, climb))
		if s == nil || 5*s.every() <= 2*sign.ID.Stale() {
			continue
		}
		if longest, _ := rules.ParseQuantity(row[1], rules.Duration); s.EveryS > longest.SI {
			tooSeldom = append(tooSeldom, fmt.Sprintf("%s comes every %s. More than %s is not taken: %s. Have the craft send it oftener: %s.", row[0], rules.FormatDuration(s.every()), row[1], row[3], row[2]))
			continue
		}
		every[row[0]] = rules.FormatDuration(s.every())
	}
	return every, tooSeldom
}

// padLines are the lines of a pad file that state how far apart signs come.
func padLines(every map[string]string, before string) string {
	lines := []string{before + "[comes_every]"}
	for _, row := range pad.MaySlow() {
		if e := every[row[0]]; e != "" {
			lines = append(lines, fmt.Sprintf("%s%-15s = %q", before, `"`+row[0]+`"`, e))
		}
	}
	return strings.Join(lines, "\n")
}
