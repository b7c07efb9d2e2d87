package unseen

import (
	"strings"
	"testing"

	"downhaul/interlock"
	"downhaul/interlock/pad"
	"downhaul/rules"
)

func TestUnseenNamesWhatNothingShows(t *testing.T) {
	p, faults := pad.Read("pad.toml", []byte(`version = 1
duty = "watch"
[craft]
system = 1
component = 1
[height]
source = "global"
climb = "hud"
[[link]]
kind = "udp"
address = "127.0.0.1:40123"
`))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	if got := p.Derived().ClimbSource; got != rules.ClimbHUD {
		t.Errorf("climb comes from %v, the file says hud", got)
	}
	env, faults := rules.ReadEnvelope("e.toml", []byte(`version = 1
title = "t"
[[rule]]
name = "gust"
watch = "wind.gust3s"
above = "8 m/s"
stop = "immediate"
[without]
"wind.gust3s" = "no anemometer"
`))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	var all []string
	for _, u := range List(p, env) {
		all = append(all, u.String())
	}
	text := strings.Join(all, "\n")
	for _, want := range []string{
		"wind.gust3s, mean over 3 s (WMO-No. 8: the measure of a gust): no anemometer",
		"tether.tension, the pull on the tether: nothing feeds it",
		"people inside the keep-out, a blade that comes loose, fire: no channel at all, so observer and emergency stop",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("want %q in\n%s", want, text)
		}
	}
	// What is fed is not listed.
	if strings.Contains(text, "how high the craft is") {
		t.Errorf("height is fed and yet called unseen:\n%s", text)
	}
}

// Only a link that strangers reach, and that nothing tells them from the craft on.
func TestStrangersAreNamedWhereNothingTellsThem(t *testing.T) {
	for _, row := range []struct {
		link, more string
		names      int
	}{
		{"kind = \"udp\"\naddress = \"0.0.0.0:40123\"", "", 1},
		{"name = \"radio\"\nkind = \"udp\"\naddress = \"[::]:40123\"", "", 1},
		{"kind = \"udp\"\naddress = \"0.0.0.0:40123\"\nfrom = \"192.0.2.1\"", "", 0},
		{"kind = \"udp\"\naddress = \"0.0.0.0:40123\"", "[signing]\nkey_file = \"/etc/downhaul/signing.key\"\n", 0},
		{"kind = \"udp\"\naddress = \"127.0.0.1:40123\"", "", 0},
		{"kind = \"tcp\"\naddress = \"192.0.2.1:40123\"", "", 0},
	} {
		p, faults := pad.Read("pad.toml", []byte("version = 1\nduty = \"watch\"\n[craft]\nsystem = 1\ncomponent = 1\n[[link]]\n"+row.link+"\n"+row.more))
		if len(faults) > 0 {
			t.Fatal(faults)
		}
		if got := Strangers(p); len(got) != row.names {
			t.Errorf("%s %s: %v, want %d", row.link, row.more, got, row.names)
		}
		listed := 0
		for _, u := range List(p) {
			if strings.Contains(u.String(), "anybody on that network can stop the flight") {
				listed++
			}
		}
		if listed != row.names {
			t.Errorf("%s %s: listed %d times, want %d", row.link, row.more, listed, row.names)
		}
	}
}

// A step on the ground rests on height and on the tie-down's pull. Where a pad has
// neither, it has neither of its built-in trips, and that is said.
func TestUnseenNamesAGroundStepThatNothingEnds(t *testing.T) {
	for _, c := range []struct {
		name, want string
		p          pad.Pad
	}{
		{"neither", "no height and no load cell, so neither of the built-in trips", pad.Pad{Duty: interlock.Guard}},
		{"a load cell", "the load cell tells where the card states tie_down_pull", pad.Pad{Duty: interlock.Guard, LoadCell: pad.LoadCell{Fitted: true}}},
		{"a height", "", pad.Pad{Duty: interlock.Guard, Links: []pad.Link{{}}, Height: pad.Height{Sources: []rules.ChannelID{rules.HeightGlobal}}}},
		{"watching", "", pad.Pad{}},
	} {
		var got string
		for _, u := range List(&c.p) {
			if strings.Contains(u.What, "leaves the ground") {
				got = u.String()
			}
		}
		if (got == "") != (c.want == "") || !strings.Contains(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}
