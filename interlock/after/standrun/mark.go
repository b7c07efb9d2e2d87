package standrun

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"downhaul/rules"
	"downhaul/rules/document"
)

// What is what a mark tells of.
type What string

// The marks of a run on a stand.
const (
	Begin  What = "begin"  // a run begins: what stands before it is another one's
	Tare   What = "tare"   // the cell was read with the propeller on and still
	Hung   What = "hung"   // a known mass hung where the motor pulls, and the cell was read
	Arms   What = "arms"   // the lever is that of these arms
	Direct What = "direct" // the pad's load cell was calibrated where the motor pulls
	Row    What = "row"    // an output was held
	Done   What = "done"   // nothing more comes
)

// Mark is one thing that the crew did, at the end of Hold. Values are SI; what was not
// typed is NaN.
type Mark struct {
	What What
	At   time.Duration // engine time of its end
	Hold time.Duration // how long it was held, or read
	// Mass (kg) hung, with its Doubt (kg); of arms the motor's and the scale's (m) with
	// their Doubt (m), and how far the scale's line is off a right angle to its arm (rad)
	// with its doubt; of Direct the Doubt as a share.
	Mass, Doubt, Motor, Scale, Angle, AngleDoubt float64
	// Output (share), Current (A), Voltage (V) and Speed (1/s) as they were typed where no
	// telemetry tells them.
	Output, Current, Voltage, Speed float64
}

// word begins every mark of a stand.
const word = "stand "

// field is one figure of a mark.
type field struct {
	key       string
	kind      rules.Kind
	unit      string
	low, high float64
	of        func(*Mark) *float64
	needed    bool
}

func mass(m *Mark) *float64  { return &m.Mass }
func doubt(m *Mark) *float64 { return &m.Doubt }

// fields are the figures of each kind of mark.
var fields = map[What][]field{
	Begin: nil, Tare: nil, Done: nil,
	Hung: {{"mass", rules.Mass, "kg", 1e-3, 2000, mass, true}, {"doubt", rules.Mass, "kg", 0, 200, doubt, true}},
	Arms: {
		{"motor", rules.Length, "m", 5e-3, 20, func(m *Mark) *float64 { return &m.Motor }, true},
		{"scale", rules.Length, "m", 5e-3, 20, func(m *Mark) *float64 { return &m.Scale }, true},
		{"doubt", rules.Length, "m", 0, 1, doubt, true},
		{"angle", rules.Angle, "deg", -math.Pi / 3, math.Pi / 3, func(m *Mark) *float64 { return &m.Angle }, true},
		{"angle_doubt", rules.Angle, "deg", 0, math.Pi / 6, func(m *Mark) *float64 { return &m.AngleDoubt }, true},
	},
	Direct: {{"doubt", rules.Ratio, "%", 0, 0.5, doubt, true}},
	Row: {
		{"output", rules.Ratio, "%", 0, 1, func(m *Mark) *float64 { return &m.Output }, false},
		{"current", rules.Current, "A", 0, 2000, func(m *Mark) *float64 { return &m.Current }, false},
		{"voltage", rules.Voltage, "V", 0.1, 1500, func(m *Mark) *float64 { return &m.Voltage }, false},
		{"speed", rules.Frequency, "rpm", 1, 2000, func(m *Mark) *float64 { return &m.Speed }, false},
	},
}

// held reports whether a mark of that kind stands behind readings.
func (w What) held() bool { return w == Tare || w == Hung || w == Row }

// longestHold bounds one hold; ours.
const longestHold = time.Minute

// NewMark is a mark with nothing typed.
func NewMark(w What) Mark {
	m := Mark{What: w}
	for _, f := range fields[w] {
		*f.of(&m) = math.NaN()
	}
	return m
}

// Text is the mark as it is stamped, such as "stand row; hold 4 s; output 40 %".
func (m *Mark) Text() string {
	out := word + string(m.What)
	if m.What.held() {
		out += "; hold " + rules.FormatDuration(m.Hold)
	}
	for _, f := range fields[m.What] {
		if v := *f.of(m); !math.IsNaN(v) {
			out += "; " + f.key + " " + rules.FormatExact(v, f.unit)
		}
	}
	return out
}

// ParseMark reads a mark. Other marks than a stand's are none: ours is false.
func ParseMark(text string) (m Mark, ours bool, err error) {
	rest, ours := strings.CutPrefix(text, word)
	if !ours {
		return m, false, nil
	}
	parts := strings.Split(rest, ";")
	m = NewMark(What(strings.TrimSpace(parts[0])))
	if _, known := fields[m.What]; !known {
		return m, true, fmt.Errorf("%q is no mark of a stand; there are stand begin, tare, hung, arms, direct, row and done", text)
	}
	for _, part := range parts[1:] {
		if err := m.set(strings.TrimSpace(part)); err != nil {
			return m, true, fmt.Errorf("%q: %w", text, err)
		}
	}
	var lacks []string
	for _, f := range fields[m.What] {
		if f.needed && math.IsNaN(*f.of(&m)) {
			lacks = append(lacks, f.key)
		}
	}
	if m.What.held() && m.Hold == 0 {
		lacks = append(lacks, "hold")
	}
	if len(lacks) > 0 {
		return m, true, fmt.Errorf("%q tells no %s", text, document.List(lacks, "and no"))
	}
	return m, true, nil
}

func (m *Mark) set(part string) error {
	if text, ok := strings.CutPrefix(part, "hold "); ok && m.What.held() {
		d, err := rules.ParseDuration(text)
		if err == nil && (d < time.Second || d > longestHold) {
			err = errors.New("a hold is from 1 s to 60 s")
		}
		m.Hold = d
		return err
	}
	for _, f := range fields[m.What] {
		text, ok := strings.CutPrefix(part, f.key+" ")
		if !ok {
			continue
		}
		parse := rules.ParseQuantity
		if f.key == "doubt" {
			parse = rules.ParseDifference
		}
		q, err := parse(text, f.kind)
		switch {
		case err != nil:
			return fmt.Errorf("%s: %w", f.key, err)
		case !(q.SI >= f.low && q.SI <= f.high):
			return fmt.Errorf("%s must be from %s to %s (got %q)", f.key, rules.FormatExact(f.low, f.unit), rules.FormatExact(f.high, f.unit), text)
		}
		*f.of(m) = q.SI
		return nil
	}
	return fmt.Errorf("%q is nothing that a stand %s tells", part, m.What)
}
