package bench

import (
	"fmt"
	"strings"
	"testing"

	"downhaul/rules"

	"github.com/google/go-cmp/cmp"
)

// A varied rule is the very rule that a file with that text would give, and is
// refused where that file is: the file's own reading is the truth here. Only a
// caution that is past the limit is left out instead.
func TestVaryIsWhatTheFileWouldSay(t *testing.T) {
	file := func(rule string) string { return "version = 1\ntitle = \"t\"\n[[rule]]\nname = \"r\"\n" + rule }
	for _, row := range []struct {
		rule   string // %s stands for the text that is varied
		turn   Turn
		quoted bool
		texts  []string
	}{
		{`watch = "craft.height"
above = %s
stop = "immediate"`, TurnLimit, true, []string{"1 m", "7 m", "31 ft", "5.49 m", "-4 m", "99999 m", "-2000 m", "7 V", "seven"}},
		{`watch = "craft.height"
above = %s
caution = "5 m"
stop = "immediate"`, TurnLimit, true, []string{"7 m", "5.01 m", "400 m"}},
		{`watch = "craft.height"
above = %s
deadband = "50 cm"
stop = "immediate"`, TurnLimit, true, []string{"7 m", "1 m", "-999.8 m"}},
		{`watch = "pack.lowest_cell"
below = %s
caution = "3.6 V"
stop = "controlled"
grace = "20 s"`, TurnLimit, true, []string{"3.45 V", "3.59 V", "3450 mV", "0.5 V"}},
		{`watch = "craft.roll"
outside = [%s, "20 deg"]
stop = "immediate"`, TurnLow, true, []string{"-20 deg", "19 deg", "20 deg", "30 deg", "-0.1 rad"}},
		{`watch = "craft.roll"
outside = ["-20 deg", %s]
stop = "immediate"`, TurnHigh, true, []string{"20 deg", "-19 deg", "-21 deg"}},
		{`watch = "tether.tension"
rising_faster = %s
over = "1 s"
stop = "immediate"`, TurnLimit, true, []string{"100 N/s", "250 N/s", "0 N/s", "-3 N/s", "99999999 N/s"}},
		{`watch = "craft.status"
above = %s
stop = "immediate"`, TurnLimit, false, []string{"4", "5.5", "300"}},
		{`watch = "craft.height"
above = "7 m"
lasting = %s
stop = "immediate"`, TurnLasting, true, []string{"0 s", "40 ms", "1.5 s", "2 h", "-1 s", "3 m"}},
	} {
		base, faults := rules.ReadEnvelope("e", []byte(file(fmt.Sprintf(row.rule, quoted(row.texts[0], row.quoted)))))
		if len(faults) > 0 {
			t.Fatalf("%s: %v", row.rule, faults)
		}
		taken, refused := 0, 0
		for _, text := range row.texts {
			want, faults := rules.ReadEnvelope("e", []byte(file(fmt.Sprintf(row.rule, quoted(text, row.quoted)))))
			got, err := vary(base, 0, row.turn, text)
			if (err != nil) != (len(faults) > 0) {
				t.Errorf("%s with %s: vary says %v, the file %v", row.rule, text, err, faults)
			}
			if err != nil || len(faults) > 0 {
				refused++
				continue
			}
			taken++
			// The file's unit is the one just written; a sweep keeps the rule's.
			want.Rules[0].Unit = base.Rules[0].Unit
			if diff := cmp.Diff(want.Rules[0], got.Envelope.Rules[0]); diff != "" || got.NoCaution {
				t.Errorf("%s with %s (no caution %v):\n%s", row.rule, text, got.NoCaution, diff)
			}
		}
		if taken < 2 {
			t.Errorf("%s: %d taken, %d refused: too few to prove anything", row.rule, taken, refused)
		}
	}
}

func quoted(text string, quotes bool) string {
	if quotes {
		return fmt.Sprintf("%q", text)
	}
	return text
}

// A caution that is past the new limit goes, and is said; the envelope varied
// from stays as it was.
func TestVaryLeavesOutACautionPastTheLimit(t *testing.T) {
	base, faults := rules.ReadEnvelope("e", []byte("version = 1\ntitle = \"t\"\n[[rule]]\nname = \"r\"\nwatch = \"craft.height\"\nabove = \"7 m\"\ncaution = \"5.5 m\"\nstop = \"immediate\"\n"))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	v, err := vary(base, 0, TurnLimit, "5 m")
	if err != nil || !v.NoCaution || v.Envelope.Rules[0].HasCaution || v.Value != 5 {
		t.Errorf("%v, %+v", err, v)
	}
	if v.Envelope.Hash != [32]byte{} {
		t.Error("it carries the hash of a file that says something else")
	}
	if !base.Rules[0].HasCaution || base.Rules[0].Limit != 7 {
		t.Errorf("the first envelope was changed: %+v", base.Rules[0])
	}
	for turn, want := range map[Turn]string{TurnLow: "one limit", TurnHigh: "one limit"} {
		if _, err := vary(base, 0, turn, "5 m"); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("turn %d: %v, want it to say %q", turn, err, want)
		}
	}
}

// A number that is none is no limit; a deadband that just fills the room to the
// caution is taken by the file, and by a limit that moves there.
func TestVaryAtItsEdges(t *testing.T) {
	read := func(rule string) *rules.Envelope {
		t.Helper()
		env, faults := rules.ReadEnvelope("e", []byte("version = 1\ntitle = \"t\"\n[[rule]]\nname = \"r\"\n"+rule))
		if len(faults) > 0 {
			t.Fatal(faults)
		}
		return env
	}
	status := read("watch = \"craft.status\"\nabove = 4\nstop = \"immediate\"\n")
	for _, text := range []string{"NaN", "nan", "Inf", "-Inf", "+infinity", "", "4 m", "1e999"} {
		if v, err := vary(status, 0, TurnLimit, text); err == nil {
			t.Errorf("a limit of %q was taken as %v", text, v.Value)
		}
	}
	height := "watch = \"craft.height\"\ncaution = \"5 m\"\ndeadband = \"1 m\"\nstop = \"immediate\"\nabove = "
	want := read(height + "\"6 m\"").Rules[0]
	got, err := vary(read(height+"\"7 m\""), 0, TurnLimit, "6 m")
	if err != nil || got.NoCaution || !got.Envelope.Rules[0].HasCaution || got.Envelope.Rules[0].Deadband != want.Deadband {
		t.Errorf("%v: %+v, want %+v", err, got.Envelope.Rules[0], want)
	}
}

// What a rule cannot be varied to is an error that names it.
func TestVaryRefuses(t *testing.T) {
	for _, c := range []struct {
		rule string
		turn Turn
		text string
		want string
	}{
		{"watch = \"craft.status\"\noutside = [4, 10]", TurnLimit, "5", "two limits"},
		{"watch = \"craft.status\"\nis = 4", TurnLimit, "5", "no limit to move"},
		{"watch = \"craft.landed\"\nis = true", TurnLimit, "5", "no limit to move"},
		{"watch = \"craft.status\"\nabove = 4", TurnLimit, "255", "would never act"},
		{"watch = \"craft.status\"\nabove = 4", TurnLimit, "-1", "would always act"},
		{"watch = \"craft.status\"\noutside = [4, 10]\ndeadband = 2", TurnHigh, "8", "could never be over"},
		{"watch = \"craft.status\"\noutside = [4, 10]\ndeadband = 2", TurnHigh, "8.5", ""},
		{"watch = \"craft.status\"\noutside = [4, 10]\ndeadband = 2", TurnLow, "6", "could never be over"},
		{"watch = \"craft.status\"\noutside = [4, 10]", TurnLow, "10", "must be less"},
		{"watch = \"craft.status\"\noutside = [4, 10]", TurnLow, "9.5", ""},
		{"watch = \"craft.status\"\nabove = 9\ndeadband = 4", TurnLimit, "4", ""},
		{"watch = \"craft.status\"\nabove = 9\ndeadband = 4", TurnLimit, "3", "could never be over"},
		{"watch = \"tether.tension\"\nrising_faster = \"9 N/s\"", TurnLimit, "0.5 N/s", ""},
		{"watch = \"tether.tension\"\nrising_faster = \"9 N/s\"", TurnLimit, "0 N/s", "more than 0"},
		{"watch = \"craft.status\"\nabove = 9", TurnLasting, "60 min", ""},
		{"watch = \"craft.status\"\nabove = 9", TurnLasting, "0 s", ""},
		{"watch = \"craft.status\"\nabove = 9", TurnLasting, "61 min", "between 0 and an hour"},
	} {
		e, faults := rules.ReadEnvelope("e", []byte("version = 1\n[[rule]]\nname = \"r\"\nstop = \"none\"\n"+c.rule))
		if len(faults) > 0 {
			t.Fatal(faults)
		}
		_, err := vary(e, 0, c.turn, c.text)
		if (err == nil) != (c.want == "") || err != nil && !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s to %s: %v, want %q", c.rule, c.text, err, c.want)
		}
	}
	if v, err := parseLimit("five", rules.Number); v != 0 || err == nil {
		t.Errorf("%v, %v", v, err)
	}
}

// A caution that has to go leaves nothing behind; a refused limit is named in the
// rule's own unit.
func TestVaryNamesWhatItRefuses(t *testing.T) {
	e, faults := rules.ReadEnvelope("e", []byte("version = 1\n[[rule]]\nname = \"r\"\nstop = \"none\"\nwatch = \"craft.roll\"\noutside = [\"-20 deg\", \"20 deg\"]\ncaution = [\"-15 deg\", \"15 deg\"]\n"))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	v, err := vary(e, 0, TurnHigh, "10 deg")
	if got := v.Envelope.Rules[0]; err != nil || !v.NoCaution || got.HasCaution || got.Caution != 0 || got.CautionHigh != 0 {
		t.Errorf("%+v, %v", got, err)
	}
	for text, want := range map[string]string{"-20 deg": "the low limit must be less than the high one (got -20 deg and -20 deg)", "-30 deg": "(got -20 deg and -30 deg)"} {
		if _, err := vary(e, 0, TurnHigh, text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("to %s: %v, want %q", text, err, want)
		}
	}
	for _, text := range []string{"-Inf", "Inf", "NaN", "5 m", ""} {
		if v, err := parseLimit(text, rules.Number); v != 0 || err == nil {
			t.Errorf("%q is %v, %v", text, v, err)
		}
	}
}
