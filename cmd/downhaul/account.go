package main

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry"
	"downhaul/interlock/day/telemetry/names"
	"downhaul/interlock/day/telemetry/words"
	"downhaul/rules"
)

// Ours: a silence of the craft that is listed is two and a half of the heartbeat's
// periods and longer; the rest bounds what is listed one by one.
const (
	listedSilence = 2500 * time.Millisecond
	mostListed    = 200
)

// account is what a recording tells of one sender.
type account struct {
	began        bool
	first, last  time.Duration
	silence      span // the longest, and then all that are listed
	silences     []span
	silencesMore int
	messages     map[uint32]*messageHeard
	joiner       words.Joiner
	said         []words.Said
	saidMore     int
	restarts     []time.Duration
	restarted    uint64
	known, armed bool
	spans        []armedSpan
	armedMore    int
	ranges       map[rules.ChannelID]*course
	roll         float64
	hasRoll      bool
}

// span is a stretch of time, in seconds.
type span struct {
	FromS float64 `json:"from_s"`
	ToS   float64 `json:"to_s"`
}

// course is the least and the greatest of what one channel told.
type course struct {
	Channel string  `json:"channel"`
	Samples uint64  `json:"samples"`
	Low     float64 `json:"low"`
	LowAtS  float64 `json:"low_at_s"`
	High    float64 `json:"high"`
	HighAtS float64 `json:"high_at_s"`
	Unit    string  `json:"unit"`
	id      rules.ChannelID
}

func (c *course) take(at time.Duration, v float64) {
	if c.Samples == 0 || v < c.Low {
		c.Low, c.LowAtS = v, at.Seconds()
	}
	if c.Samples == 0 || v > c.High {
		c.High, c.HighAtS = v, at.Seconds()
	}
	c.Samples++
}

// armedSpan is a stretch in which the craft said that it was armed.
type armedSpan struct {
	span
	// Since: it was armed when it was first heard. Open: to the last that it told.
	Since  bool     `json:"armed_before"`
	Open   bool     `json:"to_the_end"`
	Ranges []course `json:"ranges"`
}

// messageHeard is what came of one message.
type messageHeard struct {
	Name    string  `json:"name"`
	ID      uint32  `json:"id"`
	Count   uint64  `json:"count"`
	Rate    float64 `json:"rate_hz"`
	WidestS float64 `json:"longest_gap_s"` // up to the end of the recording
	last    time.Duration
	first   time.Duration
	widest  time.Duration
}

// called is the message with its number, once where it has no name here.
func (m *messageHeard) called() string {
	if number := fmt.Sprint(m.ID); !strings.HasSuffix(m.Name, number) {
		return m.Name + " " + number
	}
	return m.Name
}

// charted are the channels whose course is kept, with tilt made of roll and pitch.
var charted = func() (is [rules.ChannelCount]bool) {
	for _, id := range []rules.ChannelID{rules.HeightGlobal, rules.HeightLocal, rules.HeightAltitude, rules.HeightRange, rules.Tilt,
		rules.SupplyVoltage, rules.SupplyCurrent, rules.Pack1Voltage, rules.Pack2Voltage, rules.Pack3Voltage, rules.Pack4Voltage,
		rules.Pack1Current, rules.Pack2Current, rules.Pack3Current, rules.Pack4Current,
		rules.Pack1LowestCell, rules.Pack2LowestCell, rules.Pack3LowestCell, rules.Pack4LowestCell} {
		is[id] = true
	}
	return is
}()

// heights are the sources of height, as a pad file may name them.
var heights = []rules.ChannelID{rules.HeightLocal, rules.HeightGlobal, rules.HeightAltitude, rules.HeightRange}

// frame takes a frame that a guard would have taken.
func (a *account) frame(at time.Duration, f *telemetry.Frame, counts *intake.LinkCounts) {
	if !a.began {
		a.began, a.first, a.last, a.messages, a.ranges = true, at, at, map[uint32]*messageHeard{}, map[rules.ChannelID]*course{}
	}
	a.silent(at)
	a.last = at
	if counts.Restarts > a.restarted {
		a.restarted = counts.Restarts
		if a.restarts = append(a.restarts, at); len(a.restarts) > mostListed {
			a.restarts = a.restarts[:mostListed]
		}
	}
	m := a.messages[f.ID]
	if m == nil {
		m = &messageHeard{Name: names.Of(f.ID), ID: f.ID, first: at, last: at}
		a.messages[f.ID] = m
	}
	m.Count++
	m.widest = max(m.widest, at-m.last)
	m.last = at
	if f.ID == words.ID {
		a.joiner.Hear(at, f.Payload, a.says)
	}
}

// silent notes the silence up to at.
func (a *account) silent(at time.Duration) {
	gap := at - a.last
	s := span{a.last.Seconds(), at.Seconds()}
	if gap.Seconds() > a.silence.ToS-a.silence.FromS {
		a.silence = s
	}
	switch {
	case gap < listedSilence:
	case len(a.silences) == mostListed:
		a.silencesMore++
	default:
		a.silences = append(a.silences, s)
	}
}

func (a *account) says(s words.Said) {
	if len(a.said) == mostListed {
		a.saidMore++
		return
	}
	a.said = append(a.said, s)
}

// sample takes what the sender told of a channel.
func (a *account) sample(at time.Duration, s *interlock.Sample) {
	if s.Quality == rules.Missing {
		return
	}
	switch s.Channel {
	case rules.CraftArmed:
		a.arm(at, s.Value != 0)
		return
	case rules.Roll:
		a.roll, a.hasRoll = s.Value, true
		return
	case rules.Pitch: // of the same message, behind roll
		if a.hasRoll {
			a.take(at, rules.Tilt, math.Acos(min(1, max(-1, math.Cos(a.roll)*math.Cos(s.Value)))))
		}
		return
	}
	if charted[s.Channel] {
		a.take(at, s.Channel, s.Value)
	}
}

func (a *account) take(at time.Duration, id rules.ChannelID, v float64) {
	c := a.ranges[id]
	if c == nil {
		c = newCourse(id)
		a.ranges[id] = c
	}
	c.take(at, v)
	if n := len(a.spans); a.armed && n > 0 {
		s := &a.spans[n-1]
		i := slices.IndexFunc(s.Ranges, func(c course) bool { return c.id == id })
		if i < 0 {
			i = len(s.Ranges)
			s.Ranges = append(s.Ranges, *newCourse(id))
		}
		s.Ranges[i].take(at, v)
		s.ToS = at.Seconds()
	}
}

func newCourse(id rules.ChannelID) *course {
	return &course{Channel: id.String(), Unit: rules.SIUnit(id.Channel().Kind), id: id}
}

func (a *account) arm(at time.Duration, armed bool) {
	switch n := len(a.spans); {
	case armed && !a.armed && n == mostListed:
		a.armedMore++
	case armed && !a.armed:
		a.spans = append(a.spans, armedSpan{span: span{at.Seconds(), at.Seconds()}, Since: !a.known, Open: true, Ranges: []course{}})
	case n > 0 && a.armed && a.armedMore == 0:
		a.spans[n-1].ToS, a.spans[n-1].Open = at.Seconds(), armed
	}
	a.known, a.armed = true, armed
}

// end takes the silence up to the end of the recording.
func (a *account) end(at time.Duration) {
	if !a.began {
		return
	}
	a.joiner.End(a.says)
	a.silent(at)
	for _, m := range a.messages {
		m.widest = max(m.widest, at-m.last)
		m.WidestS = m.widest.Seconds()
		if m.last > m.first {
			m.Rate = float64(m.Count-1) / (m.last - m.first).Seconds()
		}
	}
}

// of finds a channel's course in a list.
func of(list []course, id rules.ChannelID) *course {
	for i := range list {
		if list[i].id == id {
			return &list[i]
		}
	}
	return nil
}
