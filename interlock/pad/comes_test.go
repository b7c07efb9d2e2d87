package pad

import (
	"strings"
	"testing"
	"time"

	"downhaul/rules"
)

// The rates of a 44-minute flight of a real aircraft over a common telemetry radio:
// each sign may be old for two and a half of its spacing, and no other sign moves.
func TestSignsAreAsOldAsTheLinkMakesThem(t *testing.T) {
	plain := mustRead(t, example(t, "guard.toml"))
	slow := mustRead(t, append(example(t, "guard.toml"), []byte(`
[comes_every]
"craft.armed"   = "1 s"
"craft.landed"  = "1.6 s"
"craft.height"  = "0.33 s"
"motor.highest" = "1.6 s"
"link.age"      = "0.3 s"
`)...))
	lengthened := map[rules.ChannelID]time.Duration{
		rules.CraftLanded: 4 * time.Second, rules.Height: 825 * time.Millisecond, rules.MotorHighest: 4 * time.Second, rules.Apex: 825 * time.Millisecond, rules.Climb: 825 * time.Millisecond,
	}
	for _, id := range slow.Height.Sources {
		lengthened[id] = 825 * time.Millisecond
	}
	was, is := plain.Derived(), slow.Derived()
	for id, want := range lengthened {
		if got := is.Stale(id); got != want {
			t.Errorf("%v may be %v old, want %v", id, got, want)
		}
	}
	for _, id := range []rules.ChannelID{rules.CraftArmed, rules.RotorSpeed, rules.Motor1Speed, rules.SupplyCurrent, rules.Pack1Current, rules.Tension, rules.WindSpeed, rules.Roll} {
		if got, want := is.Stale(id), was.Stale(id); got != want || got != id.Stale() {
			t.Errorf("%v may be %v old, want %v as ever", id, got, want)
		}
	}
	if got := slow.Site().LinkStale; got != 750*time.Millisecond {
		t.Errorf("the link may be silent for %v", got)
	}
	if got := plain.Site().LinkStale; got != 500*time.Millisecond {
		t.Errorf("without a word the link may be silent for %v", got)
	}
}

// No sign may be stated to come more seldom than its row in the table takes, and each
// refusal says what could happen to the craft.
func TestSpacingsAreBounded(t *testing.T) {
	read := func(line string) string {
		_, faults := Read("pad.toml", append(example(t, "guard.toml"), []byte("\n[comes_every]\n"+line+"\n")...))
		if faults == nil {
			return ""
		}
		return faults.Err().Error()
	}
	rows := MaySlow()
	if len(rows) != 6 {
		t.Fatalf("%d rows", len(rows))
	}
	for _, row := range rows {
		c, known := rules.Lookup(row[0])
		longest, err := rules.ParseQuantity(row[1], rules.Duration)
		if !known || err != nil || len(row) != 4 || row[2] == "" || row[3] == "" {
			t.Errorf("%q is no row", row)
			continue
		}
		// Three seconds is what a start takes; a sign of the phase is told anew in at most
		// five. What stands behind a height or a silent link acts within one.
		if most := 2.5 * longest.SI; most > 5 || (c.ID == rules.Height || c.ID == rules.Climb || c.ID == rules.LinkAge) && most > 1 {
			t.Errorf("%s may be %g s old", row[0], most)
		}
		if got := read(`"` + row[0] + `" = "` + row[1] + `"`); got != "" {
			t.Errorf("%s every %s: %s", row[0], row[1], got)
		}
		past := rules.FormatDuration(time.Duration(longest.SI*1e9) + time.Millisecond)
		if got := read(`"` + row[0] + `" = "` + past + `"`); !strings.Contains(got, row[3]) || !strings.Contains(got, row[2]) || !strings.Contains(got, `comes_every."`+row[0]+`"`) {
			t.Errorf("%s every %s: %s", row[0], past, got)
		}
	}
	for line, want := range map[string]string{
		`"craft.landed" = "0 s"`:     "more than 0",
		`"craft.roll" = "1 s"`:       "no sign whose spacing counts here",
		`"craft.land" = "1 s"`:       "no sign whose spacing counts here",
		`"craft.landed" = 2`:         "in quotes",
		`"motor1.speed" = "100 ms"`:  "no sign whose spacing counts here",
		`craft = { landed = "1 s" }`: "no sign whose spacing counts here",
		`"craft.landed" = "1 m"`:     "craft.landed",
	} {
		if got := read(line); !strings.Contains(got, want) {
			t.Errorf("%s: %q, want %q", line, got, want)
		}
	}
}
