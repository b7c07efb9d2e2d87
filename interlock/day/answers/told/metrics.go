package told

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	"downhaul/interlock"
)

// MetricsType is the content type of Metrics.
const MetricsType = "application/openmetrics-text; version=1.0.0; charset=utf-8"

// metric is a family: its name, type, unit (of which its name ends) and meaning.
type metric struct{ name, kind, unit, says string }

// metrics collects lines of the OpenMetrics text format, version 1.0.0: families one
// after the other, each with its metadata first.
type metrics struct{ strings.Builder }

// family begins one; each of its values follows at once.
func (m *metrics) family(f metric) {
	fmt.Fprintf(m, "# TYPE %s %s\n", f.name, f.kind)
	if f.unit != "" {
		fmt.Fprintf(m, "# UNIT %s %s\n", f.name, f.unit)
	}
	fmt.Fprintf(m, "# HELP %s %s\n", f.name, escaped.Replace(f.says))
}

var escaped = strings.NewReplacer(`\`, `\\`, "\n", `\n`, `"`, `\"`)

// sample adds a value; labels are names and values in turn.
func (m *metrics) sample(name string, value float64, labels ...string) {
	m.WriteString(name)
	for i := 0; i < len(labels); i += 2 {
		fmt.Fprintf(m, `%s%s="%s"`, map[bool]string{true: "{", false: ","}[i == 0], labels[i], escaped.Replace(labels[i+1]))
	}
	if len(labels) > 0 {
		m.WriteString("}")
	}
	m.WriteString(" " + strconv.FormatFloat(value, 'g', -1, 64) + "\n")
}

// Metrics writes the status in the OpenMetrics text format, for whoever watches the
// guard with a program. nil is a guard that does not answer: only that is told.
func (s *Status) Metrics(w io.Writer) error {
	var m metrics
	flag := func(name, says string, on bool) {
		m.family(metric{name, "gauge", "", says})
		m.sample(name, map[bool]float64{true: 1}[on])
	}
	count := func(name, says string, n uint64) {
		m.family(metric{name, "counter", "", says})
		m.sample(name+"_total", float64(n))
	}
	seconds := func(name, says string, v *float64) {
		if v != nil {
			m.family(metric{name, "gauge", "seconds", says})
			m.sample(name, *v)
		}
	}
	flag("downhaul_up", "The guard answers, and its loop turns.", s != nil && s.AgeS < OldAfter.Seconds())
	if s != nil {
		m.family(metric{"downhaul_state", "stateset", "", "State of the latch."})
		for state := interlock.Blocked; state <= interlock.Fault; state++ {
			m.sample("downhaul_state", map[bool]float64{true: 1}[state.String() == s.State], "downhaul_state", state.String())
		}
		seconds("downhaul_status_age_seconds", "How old the status is.", &s.AgeS)
		flag("downhaul_relay_on", "The guard's relay is closed.", s.RelayOn)
		flag("downhaul_power_at_rotors", "The chain is closed: power can reach the rotors.", s.Closed)
		flag("downhaul_keep_out", "Nobody may go near the craft.", s.KeepOut)
		flag("downhaul_craft_armed", "Armed, or not known to be disarmed.", s.Armed)
		flag("downhaul_craft_airborne", "In the air, or not known to be down.", s.Airborne)
		count("downhaul_trips", "Trips of this session.", uint64(s.Trips))
		count("downhaul_trips_kept", "Trips that are on disk.", uint64(s.Kept))
		count("downhaul_loop_turns", "Turns of the live loop.", s.Loop.Turns)
		seconds("downhaul_loop_worst_gap_seconds", "The longest time between two turns.", &s.Loop.WorstGapS)
		count("downhaul_records_lost", "Records that the disk did not take in time.", s.Loop.LostRecords)
		count("downhaul_craft_frames", "Frames heard of the craft.", s.Link.Frames)
		count("downhaul_link_bad_bytes", "Bytes in no good frame.", s.Link.BadBytes)
		seconds("downhaul_craft_silent_seconds", "How long the craft has not been heard.", s.Link.SilentS)
		m.family(metric{"downhaul_trouble", "gauge", "", "How many troubles with records or outputs the status names."})
		m.sample("downhaul_trouble", float64(len(s.Trouble)))
		m.family(metric{"downhaul_channel", "gauge", "", "Last good value of a channel, SI; the unit is a label."})
		for i := range s.Channels {
			if c := &s.Channels[i]; c.Value != nil {
				m.sample("downhaul_channel", *c.Value, "channel", c.Channel, "unit", c.Unit)
			}
		}
		m.family(metric{"downhaul_rule_headroom", "gauge", "", "How far a rule's value is inside its limit, SI; negative is beyond. The unit is a label."})
		for i := range s.Rules {
			if r := &s.Rules[i]; r.Headroom != nil {
				m.sample("downhaul_rule_headroom", *r.Headroom, "rule", r.Name, "channel", r.Channel, "unit", r.Unit)
			}
		}
		m.family(metric{"downhaul_rule_missing", "gauge", "", "A rule's value is missing, which counts as beyond its limit."})
		for i := range s.Rules {
			m.sample("downhaul_rule_missing", map[bool]float64{true: 1}[s.Rules[i].Missing], "rule", s.Rules[i].Name)
		}
	}
	m.WriteString("# EOF\n")
	_, err := io.WriteString(w, m.String())
	return err
}
