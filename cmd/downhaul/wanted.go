package main

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"downhaul/interlock/day/telemetry"
	"downhaul/interlock/day/telemetry/names"
	"downhaul/rules"
)

// wanted is what a guard asks of a craft's telemetry. In a row of several
// channels one is enough.
var wanted = []struct {
	any []rules.ChannelID
	why string
}{
	{[]rules.ChannelID{rules.CraftArmed}, "reset and the end of a run need it"},
	{[]rules.ChannelID{rules.CraftLanded}, "without it the craft counts as airborne"},
	{[]rules.ChannelID{rules.CraftBootClock}, "lag and restarts show by it"},
	{[]rules.ChannelID{rules.HeightLocal, rules.HeightGlobal, rules.HeightAltitude, rules.HeightRange}, "height and predicted apex"},
	{[]rules.ChannelID{rules.ClimbLocal, rules.ClimbGlobal}, "predicted apex"},
	{[]rules.ChannelID{rules.North}, "distance and sway"},
	{[]rules.ChannelID{rules.Roll}, "tilt"},
	{[]rules.ChannelID{rules.Pitch}, "tilt"},
	{[]rules.ChannelID{rules.Pack1Voltage, rules.SupplyVoltage}, "sag, and the lift forecast"},
	{[]rules.ChannelID{rules.Pack1LowestCell}, "the pack's floor; a monitor of the whole pack cannot tell it"},
	{[]rules.ChannelID{rules.Pack1Current, rules.SupplyCurrent}, "resistance, and whether power is really off"},
	{[]rules.ChannelID{rules.Motor1Output}, "headroom, and whether the motors idle"},
	{[]rules.ChannelID{rules.Motor1Speed}, "whether the rotors really stopped"},
	{[]rules.ChannelID{rules.Vibration}, "loose parts"},
}

// verdict states how a channel comes.
type verdict string

// The verdicts.
const (
	comesWell   verdict = "well"
	comesSlowly verdict = "slow"     // slower than expected, and still fresh in time
	comesSeldom verdict = "too slow" // it would count as missing between two samples
	isWrong     verdict = "wrong"    // it contradicts what the craft says beside it
	saysUnknown verdict = "unknown"  // it is sent, and says that it is not known
	isMissing   verdict = "missing"
)

// findings is what listen reports; listenSchema counts its shape.
type findings struct {
	Schema   int             `json:"schema"`
	Link     string          `json:"link"`
	Seconds  float64         `json:"duration_s"`
	Bytes    uint64          `json:"bytes"`
	BadBytes uint64          `json:"bad_bytes"`
	Senders  []senderRow     `json:"senders"`
	Craft    *identity       `json:"craft"` // null: nobody heard says that it is a craft
	Several  bool            `json:"several_crafts"`
	Channels []channelRow    `json:"channels"`
	Ask      []messageWanted `json:"ask"`
	// Unread are the numbers of the craft's batteries that no channel is fed from.
	Unread []int `json:"batteries_not_read"`
	// Wrong are the channels that a guard would not take although they come, with why.
	Wrong []channelRow `json:"wrong"`
	// Spacings are how far apart each channel of the craft came, and its frames (link.age).
	Spacings []spacing `json:"spacings"`
	// ComesEvery is what the pad file wants to know of them, by sign, TooSeldom what no pad
	// file takes.
	ComesEvery map[string]string `json:"comes_every"`
	TooSeldom  []string          `json:"too_seldom"`
	// Recording is what a recording holds beside; null for a link.
	Recording *recorded `json:"recording"`

	craft *sender
	named identity // with --craft; else none
}

const listenSchema = 2

// foundBefore reads what listen --json printed, of a link or of one recording.
func foundBefore(name string, text []byte) (findings, error) {
	var f struct {
		findings
		Recordings []findings `json:"recordings"`
	}
	if err := json.Unmarshal(text, &f); err != nil || f.Schema == 0 {
		return f.findings, fmt.Errorf("%s is not what listen --json prints", name)
	}
	switch len(f.Recordings) {
	case 0:
		return f.findings, nil
	case 1:
		return f.Recordings[0], nil
	}
	return f.findings, fmt.Errorf("%s tells of %d recordings; name one that tells of the craft alone", name, len(f.Recordings))
}

type senderRow struct {
	identity
	Says   string `json:"says"`
	From   string `json:"from,omitempty"`
	Frames uint64 `json:"frames"`
	// FirstS and LastS are when it was heard first and last.
	FirstS float64 `json:"first_s"`
	LastS  float64 `json:"last_s"`
	// SilenceS is its longest silence, in a recording up to the end, from SilenceAtS on.
	SilenceS   float64 `json:"longest_silence_s"`
	SilenceAtS float64 `json:"longest_silence_at_s"`
	Rate       float64 `json:"frames_per_s"`
	Lost       float64 `json:"lost"` // share of its frames
	// Repeated counts frames that a guard would take for said before.
	Repeated uint64 `json:"repeated"`
	Version  uint8  `json:"mavlink_version"`
	Signed   bool   `json:"signed"`
}

type channelRow struct {
	Channel string   `json:"channel"`
	Verdict verdict  `json:"verdict"`
	Rate    float64  `json:"rate_hz"`
	Wanted  float64  `json:"wanted_hz"`
	Value   *float64 `json:"value"`
	Unit    string   `json:"unit"`
	Cause   string   `json:"cause,omitempty"`
	For     string   `json:"for"`
	shown   string
}

type messageWanted struct {
	Message string  `json:"message"`
	ID      uint32  `json:"id"`
	Rate    float64 `json:"at_least_hz"`
	For     string  `json:"for"`
	Instead string  `json:"or,omitempty"`
}

// MAV_TYPE and MAV_AUTOPILOT values (MAVLink, minimal message set).
const (
	typeGroundStation = 6
	typeOnboard       = 18
	typeGimbal        = 26
	autopilotInvalid  = 8
)

// says is what a sender calls itself, in plain words.
func (s *sender) says() string {
	switch {
	case !s.said && s.radio:
		return "radio"
	case !s.said:
		return "does not say"
	case s.kind == typeGroundStation:
		return "ground station"
	case s.kind == typeGimbal:
		return "gimbal"
	case s.kind == typeOnboard:
		return "companion"
	case s.autopilot == autopilotInvalid:
		return fmt.Sprintf("part, type %d", s.kind)
	}
	switch s.kind {
	case 2, 3, 4, 13, 14, 15, 29, 35:
		return "rotorcraft"
	case 0:
		return "craft"
	}
	return fmt.Sprintf("craft, type %d", s.kind)
}

func (s *sender) isCraft() bool {
	return s.said && s.autopilot != autopilotInvalid && s.kind != typeGroundStation && s.kind != typeGimbal && s.kind != typeOnboard
}

// judge sums up; only is the craft to take, or zero.
func (e *ear) judge(name string, span time.Duration, only identity) *findings {
	f := &findings{Schema: listenSchema, Link: name, Seconds: span.Seconds(), Bytes: e.bytes, BadBytes: e.counts().BadBytes,
		Senders: []senderRow{}, Channels: []channelRow{}, Ask: []messageWanted{}, Unread: []int{}, Wrong: []channelRow{},
		Spacings: []spacing{}, ComesEvery: map[string]string{}, TooSeldom: []string{}, named: only}
	var craft *sender
	slices.SortStableFunc(e.senders, func(a, b *sender) int {
		return (int(a.System)-int(b.System))*256 + int(a.Component) - int(b.Component)
	})
	for _, s := range e.senders {
		a := &s.account
		row := senderRow{identity: s.identity, Says: s.says(), Frames: s.frames, FirstS: a.first.Seconds(), LastS: a.last.Seconds(),
			SilenceS: a.silence.ToS - a.silence.FromS, SilenceAtS: a.silence.FromS, Rate: float64(s.frames) / span.Seconds(),
			Lost: float64(s.lost) / float64(s.lost+s.frames), Repeated: s.repeated, Version: s.version, Signed: s.signed}
		if s.from.IsValid() {
			row.From = s.from.String()
		}
		f.Senders = append(f.Senders, row)
		if only != (identity{}) && s.identity != only || only == (identity{}) && !s.isCraft() {
			continue
		}
		f.Several = f.Several || craft != nil
		if craft == nil || s.frames > craft.frames {
			craft = s
		}
	}
	if craft == nil {
		return f
	}
	f.Craft, f.craft = &craft.identity, craft
	f.Unread = craft.unread.Numbers()
	f.Spacings = craft.spacings()
	f.ComesEvery, f.TooSeldom = comesEvery(f.Spacings, cameFastest(f.Spacings, heights), rules.NoChannel)
	for _, w := range wanted {
		best, rank := channelRow{}, -1
		for _, id := range w.any { // of several, the one that this link gives fastest
			row := craft.channels[id].row(id)
			if row.Verdict == isWrong {
				f.Wrong = append(f.Wrong, row)
			}
			r := slices.Index([]verdict{isMissing, saysUnknown, isWrong}, row.Verdict)
			if r < 0 {
				r = 3
			}
			if r > rank || r == rank && row.Rate > best.Rate {
				best, rank = row, r
			}
		}
		best.For = w.why
		f.Channels = append(f.Channels, best)
		if best.Verdict != comesWell {
			f.ask(e.fields, w.any, best)
		}
	}
	return f
}

// row judges one channel by what its staleness and its period want.
func (h *heard) row(id rules.ChannelID) channelRow {
	c := id.Channel()
	row := channelRow{Channel: c.Name, Rate: h.rate(), Wanted: 1 / c.Period.Seconds(), Unit: rules.SIUnit(c.Kind)}
	if h.samples > 0 {
		v := h.value
		row.Value = &v
		row.shown = rules.Reading(v, rules.DefaultUnit(c.Kind, "metric"))
		if c.Kind == rules.Flag {
			row.shown = map[bool]string{true: "yes", false: "no"}[v != 0]
		}
	}
	switch {
	case h.against != rules.NoCause:
		row.Verdict, row.Cause = isWrong, h.against.String()
	case h.samples == 0 && h.unknown == 0:
		row.Verdict = isMissing
	case h.samples == 0:
		row.Verdict, row.Cause = saysUnknown, h.cause.String()
	case row.Rate*c.Stale.Seconds() < 1:
		row.Verdict = comesSeldom
	case row.Rate < 0.8*row.Wanted: // ours: links jitter
		row.Verdict = comesSlowly
	default:
		row.Verdict = comesWell
	}
	return row
}

// ask adds the message to ask the craft for, once.
func (f *findings) ask(fields *telemetry.Fields, any []rules.ChannelID, row channelRow) {
	if row.Verdict == saysUnknown || row.Verdict == isWrong {
		return // it is sent already; only the craft's own set-up can fill it
	}
	channel, _ := rules.Lookup(row.Channel)
	sources := fields.Sources[channel.ID]
	if len(sources) == 0 {
		return
	}
	id := sources[0]
	for i := range f.Ask {
		if a := &f.Ask[i]; a.ID == id {
			a.Rate = max(a.Rate, row.Wanted)
			a.For += ", " + row.Channel
			return
		}
	}
	m := messageWanted{Message: names.Of(id), ID: id, Rate: row.Wanted, For: row.Channel}
	var instead []string
	for _, other := range any {
		for _, source := range fields.Sources[other] {
			if name := names.Of(source); source != id && !slices.Contains(instead, name) {
				instead = append(instead, name)
			}
		}
	}
	m.Instead = strings.Join(instead, ", ")
	f.Ask = append(f.Ask, m)
}

// complete reports whether nothing wanted is missing.
func (f *findings) complete() bool {
	return f.Craft != nil && !f.Several && !slices.ContainsFunc(f.Channels, func(c channelRow) bool {
		return c.Verdict != comesWell && c.Verdict != comesSlowly
	})
}
