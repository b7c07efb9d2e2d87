package bench

import (
	"errors"
	"fmt"

	"downhaul/interlock"
	"downhaul/interlock/day/derived"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/recording"
	"downhaul/rules"
)

// Watching is the setup that holds recordings against an envelope as a guard
// in duty watch would have, from the first frame on. Without a pad file it
// takes what the recording shows: the first autopilot heard is the craft, and
// everything it can tell counts as fed; notes say what was assumed.
func Watching(parts []string, env *rules.Envelope, p *pad.Pad) (Setup, []string, error) {
	if p != nil {
		setup := Setup{Envelope: env, Site: p.Site(), Intake: p.Intake()}
		setup.Site.Duty = interlock.Watch
		return setup, unreadBatteries(parts, setup.Intake.Craft), nil
	}
	seen, err := look(parts, intake.Craft{})
	if err != nil {
		return Setup{}, nil, err
	}
	site := interlock.DefaultSite()
	for id := rules.NoChannel + 1; id < rules.ChannelCount; id++ {
		if !id.Channel().Derived && id != rules.Tension && id != rules.WindSpeed {
			site.Fed[id] = rules.CraftSays
		}
	}
	site.Derived = derived.Config{
		HeightSources: []rules.ChannelID{rules.HeightGlobal},
		Motors:        seen.motors,
		PackVoltage:   rules.Pack1Voltage, PackCurrent: rules.Pack1Current,
	}
	in := intake.Config{Craft: seen.craft,
		Links: []intake.LinkConfig{{Stream: seen.stream}}}
	in.Fields.SupplyIsPack = !seen.battery
	for i := range in.Fields.OutputIdle {
		in.Fields.OutputIdle[i], in.Fields.OutputFull[i] = 1000, 2000
	}
	notes := []string{fmt.Sprintf("no pad file was given: craft %d.%d is the first autopilot heard, height is from GLOBAL_POSITION_INT, motor outputs run from 1000 to 2000 µs", seen.craft.System, seen.craft.Component)}
	if !seen.battery {
		notes = append(notes, "no BATTERY_STATUS: the pack is told by SYS_STATUS alone, without cells")
	}
	return Setup{Envelope: env, Site: site, Intake: in}, append(notes, sayUnread(&seen.unread)...), nil
}

// heard is what a first look at a recording shows.
type heard struct {
	craft   intake.Craft
	stream  bool
	battery bool
	motors  int
	unread  Unread
}

// Message ids of the open dialect.
const (
	idHeartbeat     = 0
	idServoOutput   = 36
	idBatteryStatus = 147
)

// lookFrames bounds the first look, in frames of the craft; what a craft sends at
// all it sends within some hundred. lookChunks bounds the look for a craft that is
// named and may not be in the recording at all.
const (
	lookFrames = 4000
	lookChunks = 100_000
)

// look hears the first frames of that craft, or, where none is named, finds it:
// the first sender of a HEARTBEAT whose autopilot field names one (the standard's 8
// is "no autopilot").
func look(parts []string, craft intake.Craft) (h heard, err error) {
	rec, err := recording.OpenParts(parts, recording.PastDamage())
	if err != nil {
		return h, err
	}
	defer rec.Close()
	var scan telemetry.Stream
	h.craft = craft
	named := craft != intake.Craft{}
	found, after := named, 0
	for n := 0; after < lookFrames && (!named || n < lookChunks); n++ {
		c, err := rec.Next()
		if err != nil {
			break // what breaks off is told by the replay itself
		}
		if c.Source != intake.Telemetry {
			continue
		}
		h.stream = !c.From.IsValid()
		scan.Feed(c.Bytes)
		for {
			f, ok := scan.Next()
			if !ok {
				break
			}
			if !found && f.ID == idHeartbeat && len(f.Payload) >= 6 && f.Payload[5] != 8 {
				found = true
				h.craft = intake.Craft{System: f.System, Component: f.Component}
			}
			if !found || f.System != h.craft.System || f.Component != h.craft.Component {
				continue
			}
			after++
			h.unread.Hear(&f)
			switch f.ID {
			case idBatteryStatus:
				h.battery = true
			case idServoOutput:
				h.motors = max(h.motors, outputs(f.Payload))
			}
		}
	}
	if !found {
		return h, errors.New("no HEARTBEAT of an autopilot in it, so there is no craft to watch; is it the telemetry link that was recorded? A pad file names the craft")
	}
	return h, nil
}

// outputs counts the leading outputs of SERVO_OUTPUT_RAW that are in use, of
// the first eight.
func outputs(payload []byte) int {
	n := 0
	for i := 4; i+1 < len(payload) && i < 20; i += 2 {
		if payload[i] == 0 && payload[i+1] == 0 {
			break
		}
		n++
	}
	return n
}
