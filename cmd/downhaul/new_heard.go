package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strings"
	"time"

	"downhaul/interlock/before/hazard"
	"downhaul/interlock/day/derived"
	"downhaul/interlock/day/telemetry/link"
	"downhaul/rules"
	"downhaul/rules/words"
)

// heardCraft is what a link was heard to give, as far as a pad file asks for it.
type heardCraft struct {
	identity
	motors, cells int             // 0 is not told
	height        string          // the pad file's name of the best height
	channel       rules.ChannelID // that height
	climbFrom     rules.ChannelID // NoChannel: the one that goes with the height
	climb         string          // the pad file's name of another climb than goes with that height; empty: none is needed
	landed        bool            // it tells whether it has landed
	packs         string          // "battery_status" or "sys_status"
	cellsTold     bool            // each cell, not the pack alone
	rate          func(rules.ChannelID) float64
	spacings      []spacing
}

// hearCraft takes what was heard from a recording, from what listen --json printed, or
// from the link itself ("now"). It gives nil where nobody listened yet.
func hearCraft(ctx context.Context, text string, cfg link.Config) (*heardCraft, error) {
	switch word := strings.ToLower(text); {
	case strings.HasPrefix("nothing yet", word), word == "no", word == "none":
		return nil, nil
	case word == "now":
		e, err := listenTo(ctx, cfg, 10*time.Second, io.Discard)
		if err != nil {
			return nil, err
		}
		return e.judge("the link", 10*time.Second, identity{}).heardCraft()
	}
	if _, err := os.Stat(text); errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("there is no file %q; write now, name a recording, or leave it empty", text)
	}
	f, err := wasHeard(ctx, &streams{err: io.Discard}, "new", text)
	if err != nil {
		return nil, err
	}
	return f.heardCraft()
}

// heardCraft is the craft of which most was heard.
func (f *findings) heardCraft() (*heardCraft, error) {
	switch {
	case f.Craft == nil:
		return nil, fmt.Errorf("no craft is heard on %s (%s from %s)", f.Link, words.Count(f.Bytes, "byte"), words.Count(len(f.Senders), "sender"))
	case f.craft == nil: // as listen --json printed it
		rows := map[rules.ChannelID]channelRow{}
		for _, c := range f.Channels {
			if ch, ok := rules.Lookup(c.Channel); ok && c.Verdict != isWrong {
				rows[ch.ID] = c
			}
		}
		return asHeard(*f.Craft, 0, f.Spacings, func(id rules.ChannelID) (rate, value float64) {
			if v := rows[id].Value; v != nil {
				value = *v
			}
			return rows[id].Rate, value
		})
	}
	motors := 0
	for motors < derived.MaxMotors && f.craft.channels[rules.Motor1Output+rules.ChannelID(motors)].samples > 0 {
		motors++
	}
	return asHeard(f.craft.identity, motors, f.Spacings, func(id rules.ChannelID) (float64, float64) {
		c := &f.craft.channels[id]
		if c.against != rules.NoCause {
			return 0, 0
		}
		return c.rate(), c.value
	})
}

// asHeard sorts what came into what a pad file asks for.
func asHeard(who identity, motors int, all []spacing, of func(rules.ChannelID) (rate, value float64)) (*heardCraft, error) {
	h := &heardCraft{identity: who, motors: motors, spacings: all, packs: "battery_status", rate: func(id rules.ChannelID) float64 { r, _ := of(id); return r }}
	for _, s := range []struct {
		name string
		id   rules.ChannelID
	}{{"local", rules.HeightLocal}, {"global", rules.HeightGlobal}, {"altitude", rules.HeightAltitude}, {"range", rules.HeightRange}} {
		if rate := h.rate(s.id); rate > 0 && (h.height == "" || rate > 1.1*h.rate(h.channel)) {
			h.height, h.channel = s.name, s.id
		}
	}
	if h.height == "" {
		return nil, errors.New("the craft tells no height, and without one there is no ceiling; downhaul listen names the message to ask it for")
	}
	if h.rate(derived.ClimbPartner(h.channel)) == 0 { // not told, or it runs against the height
		for _, s := range []struct {
			name string
			id   rules.ChannelID
		}{{"global", rules.ClimbGlobal}, {"local", rules.ClimbLocal}, {"hud", rules.ClimbHUD}} {
			if h.climb == "" && h.rate(s.id) > 0 {
				h.climb, h.climbFrom = s.name, s.id
			}
		}
	}
	h.landed = h.rate(rules.CraftLanded) > 0
	_, low := of(rules.Pack1LowestCell)
	whole, pack := of(rules.Pack1Voltage)
	if h.cellsTold = h.rate(rules.Pack1LowestCell) > 0; h.cellsTold && pack > 0 && low > 2.5 {
		h.cells = int(math.Round(pack / low))
	}
	if whole == 0 && h.rate(rules.SupplyVoltage) > 0 {
		h.packs = "sys_status"
	}
	return h, nil
}

func second[A, B any](_ A, b B) B { return b }

// every is the time between two values of a channel, 0 where it was not heard.
func (h *heardCraft) every(id rules.ChannelID) time.Duration {
	if r := h.rate(id); r > 0 {
		return time.Duration(float64(time.Second) / r)
	}
	return 0
}

// heard is what check --heard would know of it.
func (h *heardCraft) heard() hazard.Heard {
	if h == nil {
		return nil
	}
	return func(id rules.ChannelID) (time.Duration, bool) { d := h.every(id); return d, d > 0 }
}

// says is what was heard, for the screen.
func (h *heardCraft) says() string {
	text := fmt.Sprintf("Heard: craft %s, height %s %.3g times a second", h.identity, h.height, h.rate(h.channel))
	if h.climb != "" {
		text += ", climb " + h.climb + ", since the one beside it is not told or runs against it"
	}
	if h.motors > 0 {
		text += ", " + words.Count(h.motors, "motor output")
	}
	if h.cells > 0 {
		text += fmt.Sprintf(", %d cells", h.cells)
	}
	if !h.cellsTold {
		text += ", no single cells"
	}
	for _, seldom := range second(comesEvery(h.spacings, h.channel, h.climbFrom)) {
		text += "; too seldom: " + strings.TrimSuffix(seldom, ".")
	}
	if !h.landed {
		text += ", not whether it has landed: ask it for EXTENDED_SYS_STATE"
	}
	return text + "."
}
