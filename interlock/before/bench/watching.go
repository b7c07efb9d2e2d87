package bench

import (
	"fmt"

	"downhaul/interlock"
	"downhaul/interlock/day/derived"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/recording"
	"downhaul/rules"
)

// Watching is the setup that holds recordings against an envelope as a guard
// in duty watch would have, from the first frame on. Without a pad file it
// takes what the recording shows: the autopilot that is heard most is the craft, and
// everything it can tell counts as fed; notes say what was assumed.
func Watching(parts []string, env *rules.Envelope, p *pad.Pad, how ...recording.Option) (Setup, []string, error) {
	if p != nil {
		setup := Setup{Envelope: env, Site: p.Site(), Intake: p.Intake()}
		setup.Site.Duty = interlock.Watch
		return setup, unreadBatteries(parts, setup.Intake.Craft, how...), nil
	}
	seen, err := look(parts, intake.Craft{}, how...)
	if err != nil {
		return Setup{}, nil, err
	}
	site := interlock.DefaultSite()
	for id := rules.NoChannel + 1; id < rules.ChannelCount; id++ {
		if !id.Channel().Derived && id != rules.Tension && id != rules.WindSpeed {
			site.Fed[id] = rules.CraftSays
		}
	}
	height, fromHeight := seen.height()
	climb, fromClimb := seen.climb(height)
	cells, fromCells := seen.cellCount()
	motors, fromMotors := seen.motorCount()
	cfg := derived.Config{
		HeightSources: []rules.ChannelID{height}, ClimbSource: climb,
		Motors: motors, Cells: cells,
		PackVoltage: rules.Pack1Voltage, PackCurrent: rules.Pack1Current,
	}
	in := intake.Config{Craft: seen.craft,
		Links: []intake.LinkConfig{{Stream: seen.stream}}}
	in.Fields.SupplyIsPack = !seen.battery
	for i := range in.Fields.OutputIdle {
		in.Fields.OutputIdle[i], in.Fields.OutputFull[i] = 1000, 2000
	}
	notes := []string{fmt.Sprintf("no pad file was given, so this is guessed: the craft is %d.%d, the autopilot that is heard most; height is from %s%s; %s; %s", seen.craft.System, seen.craft.Component, fromHeight, fromClimb, fromMotors, fromCells)}
	notes = append(notes, seen.slow(&cfg)...)
	site.Derived, site.LinkStale = cfg, max(site.LinkStale, cfg.Slow[rules.LinkAge])
	if !seen.battery {
		notes = append(notes, "no BATTERY_STATUS: the pack is told by SYS_STATUS alone, without cells")
	}
	return Setup{Envelope: env, Site: site, Intake: in}, append(notes, sayUnread(&seen.unread)...), nil
}
