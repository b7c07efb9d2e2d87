package interlock

import (
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/rules"
)

const lossRule = `
[[rule]]
name = "loss"
watch = "link.loss"
above = "20 %"
stop = "controlled"
grace = "2 s"
`

const voltsRule = `
[[rule]]
name = "volts"
watch = "supply.voltage"
below = "40 V"
stale_after = "1 s"
stop = "immediate"
`

// thrustRule is past its limit on the ground, where it is not in force.
const thrustRule = `
[[rule]]
name = "thrust"
watch = "motor.highest"
below = "5 %"
while = "airborne"
stop = "immediate"
`

const slackRule = `
[[rule]]
name = "slack"
watch = "tether.tension"
below = "50 N"
while = "airborne"
stop = "immediate"
`

const heightRule = `
[[rule]]
name = "height"
watch = "craft.height"
above = "7 m"
stop = "immediate"
`

// What a silence did not do is no part of it: what another sensor told meanwhile, what
// had stopped before, what was told as missing, and what stays away while the craft
// is heard again. What it did by taking the word of landed or armed away is.
//
//fault:row the craft tells a channel as missing, then the link goes silent | first cause: that channel and why it is missing, then nothing heard from the craft
func TestWhatIsNoPartOfASilence(t *testing.T) {
	ms := func(n int) time.Duration { return time.Duration(n) * time.Millisecond }
	for _, c := range []silentCase{
		{"the share of lost frames is missing with the link", tiltRule + lossRule, nil, func(r *rig) { r.lost() }, []string{
			"trip 1 first-out, immediate: nothing heard from the craft for 0.200 s",
			"of trip 1, immediate: channel missing [tilt] (too old)",
			"of trip 1, immediate: nothing heard from the craft",
			"of trip 1, immediate: channel missing [loss] (too old)"}},
		{"the tether in caution before a silence goes past its limit in it", tiltRule + overloadRule, nil, func(r *rig) {
			r.set(rules.Tension, 1500, rules.Good)
			r.run(ms(50))
			r.lost()
			r.run(ms(600))
			r.set(rules.Tension, 1900, rules.Good)
		}, []string{
			"trip 1 first-out, immediate: then nothing heard from the craft [overload] at 1500, limit 1400 for 0.200 s",
			"of trip 1, immediate: channel missing [tilt] (too old)",
			"of trip 1, immediate: nothing heard from the craft",
			"trip 2, immediate: past a limit [overload] at 1900, limit 1800"}},
		{"the tether past its limit before a silence, inside, and past it again", tiltRule + overloadRule, nil, func(r *rig) {
			r.set(rules.Tension, 1900, rules.Good)
			r.run(ms(50))
			r.lost()
			r.run(ms(250))
			r.set(rules.Tension, 500, rules.Good)
			r.run(ms(100))
			r.set(rules.Tension, 1900, rules.Good)
		}, []string{
			"trip 1 first-out, immediate: then nothing heard from the craft [overload] at 1900, limit 1800 for 0.200 s",
			"of trip 1, immediate: channel missing [tilt] (too old)",
			"of trip 1, immediate: nothing heard from the craft",
			"trip 2, immediate: past a limit [overload] at 1900, limit 1800"}},
		{"the tether goes past its limit after the last word of the craft", tiltRule + overloadRule, nil, func(r *rig) {
			r.lost()
			r.run(ms(120))
			r.set(rules.Tension, 1900, rules.Good)
		}, []string{
			"trip 1 first-out, immediate: nothing heard from the craft for 0.200 s",
			"of trip 1, immediate: channel missing [tilt] (too old)",
			"of trip 1, immediate: nothing heard from the craft",
			"trip 2, immediate: past a limit [overload] at 1900, limit 1800"}},
		{"a channel that stopped long before the silence", tiltRule + voltsRule, nil, func(r *rig) {
			r.silence(rules.SupplyVoltage)
			r.run(ms(700))
			r.lost()
		}, []string{
			"trip 1 first-out, immediate: nothing heard from the craft for 0.200 s",
			"of trip 1, immediate: channel missing [tilt] (too old)",
			"trip 2, immediate: channel missing [volts] (too old)",
			"of trip 1, immediate: nothing heard from the craft"}},
		{"a channel that stays away when the craft is heard again", tiltRule + voltsRule, nil, func(r *rig) {
			r.lost()
			r.run(ms(250))
			r.heard()
			r.silence(rules.SupplyVoltage)
		}, []string{
			"trip 1 first-out, immediate: nothing heard from the craft for 0.200 s",
			"of trip 1, immediate: channel missing [tilt] (too old)",
			"trip 2, immediate: channel missing [volts] (too old)"}},
		{"a channel that is missed as the craft is just heard again", tiltRule + voltsRule, nil, func(r *rig) {
			r.lost()
			r.run(ms(980))
			r.frames = true
		}, []string{
			"trip 1 first-out, immediate: nothing heard from the craft for 0.200 s",
			"of trip 1, immediate: channel missing [tilt] (too old)",
			"of trip 1, immediate: nothing heard from the craft",
			"of trip 1, immediate: channel missing [volts] (too old)"}},
		{"the predicted apex grows past its caution for want of a height, then silence", tiltRule + strings.Replace(ceilingRule, "stop =", "caution = \"12 ft\"\nstop =", 1), nil, func(r *rig) {
			r.silence(rules.HeightGlobal)
			r.run(ms(300))
			r.lost()
		}, []string{
			"trip 1 first-out, immediate: nothing heard from the craft for 0.200 s",
			"of trip 1, immediate: channel missing [tilt] (too old)",
			"of trip 1, immediate: nothing heard from the craft",
			"of trip 1, immediate: past a limit [ceiling] at 6.7056, limit 6.7056",
			"of trip 1, immediate: channel missing [ceiling] (too old)"}},
		{"a channel that never had a value, then silence", tiltRule + "[[rule]]\nname = \"hot\"\nwatch = \"esc.temperature\"\nabove = \"90 °C\"\nstop = \"immediate\"\n", watchDuty, func(r *rig) {
			r.set(rules.ESCTemperature, 0, rules.Missing)
			r.run(ms(50))
			r.lost()
		}, []string{
			"trip 1 first-out, immediate: nothing heard from the craft for 0.200 s",
			"of trip 1, immediate: channel missing [tilt] (too old)",
			"of trip 1, immediate: nothing heard from the craft"}},
		{"told as missing, then silence", tiltRule, nil, func(r *rig) {
			r.set(rules.Roll, 0, rules.Missing)
			r.run(ms(50))
			r.lost()
		}, []string{
			"trip 1 first-out, immediate: channel missing [tilt] (the sender says unknown)",
			"trip 2, immediate: nothing heard from the craft for 0.500 s"}},
		{"told as missing, then silence, and another is missed first", tiltRule + heightRule, nil, func(r *rig) {
			r.set(rules.HeightGlobal, 0, rules.Missing)
			r.run(ms(50))
			r.lost()
		}, []string{
			"trip 1 first-out, immediate: then nothing heard from the craft [height] for 0.200 s (the sender says unknown)",
			"of trip 1, immediate: channel missing [tilt] (too old)",
			"of trip 1, immediate: channel missing [height] (the sender says unknown)",
			"of trip 1, immediate: nothing heard from the craft"}},
	} {
		t.Run(c.what, c.try)
	}
}

// A rule that comes into force because nobody tells any more that the craft is disarmed
// and landed does so by the silence; but a limit that the pad's own sensor is past stays
// a cause.
func TestAPhaseThatASilenceBegins(t *testing.T) {
	for _, c := range []struct {
		happens func(r *rig)
		want    []string
	}{
		{func(*rig) {}, []string{
			"trip 1 first-out, immediate: nothing heard from the craft for 2.500 s",
			"of trip 1, immediate: past a limit [thrust] at 0, limit 0.05",
			"of trip 1, immediate: channel missing [thrust] (too old)",
			"of trip 1, immediate: nothing heard from the craft"}},
		{func(r *rig) { r.run(time.Second); r.lines[Gate] = false }, []string{
			"trip 1 first-out, immediate: gate open",
			"trip 2, immediate: nothing heard from the craft for 2.500 s",
			"of trip 2, immediate: past a limit [thrust] at 0, limit 0.05",
			"of trip 2, immediate: channel missing [thrust] (too old)",
			"of trip 2, immediate: nothing heard from the craft"}},
		{func(r *rig) { r.set(rules.Tension, 20, rules.Good) }, []string{
			"trip 1 first-out, immediate: nothing heard from the craft for 2.500 s",
			"of trip 1, immediate: past a limit [thrust] at 0, limit 0.05",
			"of trip 1, immediate: channel missing [thrust] (too old)",
			"trip 2, immediate: past a limit [slack] at 20, limit 50",
			"of trip 1, immediate: nothing heard from the craft"}},
	} {
		r := newRig(t, "version = 1\ntitle = \"t\"\n"+thrustRule+slackRule, func(s *Site) {
			s.LinkStale, s.Fed[rules.Tension] = 3*time.Second, rules.OwnSensor
		})
		r.set(rules.Tension, 500, rules.Good)
		r.live()
		r.out = nil
		r.lost()
		c.happens(r)
		r.run(4 * time.Second)
		if got := r.trips(); !slices.Equal(got, c.want) {
			t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(c.want, "\n"))
		}
	}
}
