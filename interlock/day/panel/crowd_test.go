package panel

import (
	"fmt"
	"strings"

	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/answers/told"
	"downhaul/rules"
)

// sizes are screens as they stand in a tent or lie in a hand.
var sizes = []struct {
	name          string
	width, height int64
}{{"screen", 1920, 1080}, {"laptop", 1366, 768}, {"phone", 390, 844}, {"phone on its side", 844, 390}}

// crowd puts on a status the most that a pad can bring: fifteen reasons, forty
// rules with names as long as a file may have, sixteen motors, four packs.
func crowd(s *told.Status) {
	var due []string
	for _, test := range []string{"readback", "emergency stop, one contact", "relay open to rotors stopped", "load cell with a known mass"} {
		due = append(due, "proof test due: "+test+" (last passed 2031-03-02, every 30 d): downhaul commission --pad /etc/downhaul/pad.toml")
	}
	s.NotReady = append(due,
		"emergency stop pressed, or not read", "gate open", "the contactor does not read open", "the craft is armed, or its state is unknown",
		"the height reads 1.42 m before the start: set it to zero at the craft (home, or start it anew)",
		"wind.peak10min: healthy for 4 s, wanted 10 s", "pack4.lowest_cell: missing: the estimator or sensor says that it is not well",
		"calm enough to start, measured at the mast for ten whole minutes: wind.peak10min must be 15 mph or less; now 17.4 mph",
		"inspection \"blade clearance at rest, all sixteen blades of the lower rotors\" is not declared, or lapsed 3 h ago",
		"no report foresees the lift to spare of "+strings.Repeat("ballast", 8)+": fly the step before it, then downhaul report",
		"reset needed: search the area, then press and release reset")
	one := s.Rules
	s.Rules = nil
	for i := range 40 {
		r := one[i%len(one)]
		switch {
		case i < 16:
			r.Name = fmt.Sprintf("%s of motor %d, on the arm that points away", r.Name, i+1)
		case i%5 == 0:
			r.Name = strings.Repeat("w", 60) // one word of 60 characters
		default:
			r.Name = fmt.Sprintf("%s, watch number %d of the second and longer list", r.Name, i+1)
		}
		if i%7 == 3 {
			r.Missing, r.Now, r.ValueText, r.HeadroomText = true, "missing: the estimator or sensor says that it is not well", "", ""
		}
		s.Rules = append(s.Rules, r)
	}
	s.CraftSays, s.CraftSaysMore = nil, 1<<40
	for i, text := range crowdedWords() {
		s.CraftSays = append(s.CraftSays, told.CraftSays{At: 1e6, Severity: "severity " + fmt.Sprint(248+i), Text: text})
	}
	s.Title = strings.Repeat("North Field by the water ", 19)
	s.Declared.Packs = []string{"A1 of the four large packs, bought in spring", "B3", strings.Repeat("C", 60), "D"}
	s.Declared.Step = "hover with 12 kg of water in the two outer tanks, 3 m high"
	s.Declared.Card = strings.Repeat("K", 60)
	for n := 2; n <= 4; n++ {
		for _, what := range []string{"voltage", "lowest_cell"} {
			says := map[string]string{"voltage": "voltage", "lowest_cell": "lowest cell"}[what]
			s.Channels = append(s.Channels, told.ChannelStatus{Channel: fmt.Sprintf("pack%d.%s", n, what), Says: fmt.Sprintf("%s of pack %d", says, n),
				Unit: "V", Shown: "V", Text: rules.Format(54.321, "V"), AsShown: some(54.321), Value: some(54.321), AgeS: some(0.1)})
		}
	}
	for i := range 20 {
		s.Unseen = append(s.Unseen, fmt.Sprintf("motor%d.speed, rotor speed of motor %d: no channel feeds it, and what a blade may do is seen by nobody here", i+1, i+1))
	}
	s.Trouble = append(s.Trouble, "recording: write /var/lib/downhaul/sessions/2031-05-04T10-00-00Z-1234/recording.pcapng: no space left on device")
	for range 2 {
		s.Acts = append(s.Acts, answers.ActStatus{At: 801.2, What: "mark: " + strings.Repeat("hum", 20), By: "local user alice (1000)"})
	}
}

// crowdedWords are texts of a craft that are as long as there are, or mean harm.
func crowdedWords() []string {
	return []string{"<img src=x onerror=alert(1)><script>alert(2)</script>", strings.Repeat("W", 300), strings.Repeat(`\x1b`, 75), strings.Repeat("low battery ", 25), "", "\u4f4e", "&amp;", "'\"`${1}"}
}
