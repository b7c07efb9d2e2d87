package rules

import (
	"fmt"
	"strings"
	"testing"

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
		base, faults := ReadEnvelope("e", []byte(file(fmt.Sprintf(row.rule, quoted(row.texts[0], row.quoted)))))
		if len(faults) > 0 {
			t.Fatalf("%s: %v", row.rule, faults)
		}
		taken, refused := 0, 0
		for _, text := range row.texts {
			want, faults := ReadEnvelope("e", []byte(file(fmt.Sprintf(row.rule, quoted(text, row.quoted)))))
			got, err := base.Vary(0, row.turn, text)
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
	base, faults := ReadEnvelope("e", []byte("version = 1\ntitle = \"t\"\n[[rule]]\nname = \"r\"\nwatch = \"craft.height\"\nabove = \"7 m\"\ncaution = \"5.5 m\"\nstop = \"immediate\"\n"))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	v, err := base.Vary(0, TurnLimit, "5 m")
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
		if _, err := base.Vary(0, turn, "5 m"); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("turn %d: %v, want it to say %q", turn, err, want)
		}
	}
}
