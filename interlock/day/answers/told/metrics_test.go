package told

import (
	"bytes"
	"regexp"
	"strings"
	"testing"
)

// The forms are those of the OpenMetrics specification, version 1.0.0 (section "ABNF"): lines of
// metadata in front of a family, its samples behind it, counters that end in _total, a
// unit that the name ends in, a state set whose label has the family's name, and # EOF.
var (
	metaLine   = regexp.MustCompile(`^# (TYPE|UNIT|HELP) ([a-zA-Z_:][a-zA-Z0-9_:]*) (.+)$`)
	sampleLine = regexp.MustCompile(`^([a-zA-Z_:][a-zA-Z0-9_:]*)(\{[a-zA-Z_][a-zA-Z0-9_]*="(?:[^"\\\n]|\\["\\n])*"(?:,[a-zA-Z_][a-zA-Z0-9_]*="(?:[^"\\\n]|\\["\\n])*")*\})? ([-+]?[0-9][0-9.e+-]*|NaN|[-+]Inf)$`)
)

func TestMetricsAreOpenMetrics(t *testing.T) {
	v := 3.25
	all := &Status{State: "live", RelayOn: true, AgeS: 0.05, Trips: 2,
		Channels: []ChannelStatus{{Channel: "craft.apex", Value: &v, Unit: "m"}, {Channel: "wind.speed"}},
		Rules:    []RuleStatus{{Name: "a \"name\" with\n\\", Channel: "craft.apex", Headroom: &v, Unit: "m"}}}
	for name, s := range map[string]*Status{"no answer": nil, "live": all, "old": {State: "live", AgeS: 5}} {
		var b bytes.Buffer
		if err := s.Metrics(&b); err != nil {
			t.Fatal(err)
		}
		text, ended := strings.CutSuffix(b.String(), "# EOF\n")
		if !ended || strings.Contains(text, "# EOF") {
			t.Fatalf("%s: ends wrongly:\n%s", name, b.String())
		}
		seen := map[string]bool{}
		family, kind := "", ""
		for line := range strings.Lines(text) {
			line = strings.TrimSuffix(line, "\n")
			if m := metaLine.FindStringSubmatch(line); m != nil {
				switch {
				case m[1] == "TYPE" && seen[m[2]]:
					t.Errorf("%s: family %s comes twice", name, m[2])
				case m[1] == "TYPE":
					family, kind = m[2], m[3]
					seen[family] = true
				case m[2] != family:
					t.Errorf("%s: %q stands in family %s", name, line, family)
				case m[1] == "UNIT" && !strings.HasSuffix(family, "_"+m[3]):
					t.Errorf("%s: %s does not end in its unit %s", name, family, m[3])
				}
				continue
			}
			m := sampleLine.FindStringSubmatch(line)
			want := family
			if kind == "counter" {
				want += "_total"
			}
			if m == nil || m[1] != want || kind == "stateset" && !strings.HasPrefix(m[2], "{"+family+"=") {
				t.Errorf("%s: no sample of %s %s: %q", name, kind, family, line)
			}
		}
		up := map[string]string{"no answer": "0", "live": "1", "old": "0"}[name]
		if !strings.Contains(text, "\ndownhaul_up "+up+"\n") {
			t.Errorf("%s: up is not %s:\n%s", name, up, text)
		}
	}
	var b bytes.Buffer
	if err := all.Metrics(&b); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`downhaul_state{downhaul_state="live"} 1`, `downhaul_state{downhaul_state="fault"} 0`, "downhaul_trips_total 2",
		`downhaul_channel{channel="craft.apex",unit="m"} 3.25`, `downhaul_rule_headroom{rule="a \"name\" with\n\\",channel="craft.apex",unit="m"} 3.25`, "downhaul_relay_on 1"} {
		if !strings.Contains(b.String(), want+"\n") {
			t.Errorf("%q is not among\n%s", want, b.String())
		}
	}
}
