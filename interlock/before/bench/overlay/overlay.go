// Package overlay lays faults over a recording: what would the guard have done? A
// scenario is a short text, in the words that the mishaps of a rehearsal use:
//
//	title What if the link had gone at 60 s
//	at 60 s fault telemetry stops for 4 s
//	at 70 s fault telemetry lags 1 s for 10 s
//	at 80 s fault telemetry loses 67 % for 10 s
//	at 90 s fault craft.roll frozen for 5 s
//	at 95 s fault pack.voltage missing for 5 s
//	at 99 s fault pack.voltage off by -2 V for 20 s
//	at 120 s fault reboot
//	at 130 s pad telemetry doubles for 3 s
//
// Without a time it lasts to the end. It decides nothing.
package overlay

import (
	"fmt"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/rules"
)

// kind is what a fault does.
type kind uint8

const (
	stops kind = iota
	lags
	loses
	doubles
	reboots
	frozen
	missing
	off
)

// rebootSilence is how long an autopilot says nothing while it starts again. Ours.
const rebootSilence = 5 * time.Second

// fault is one line of a scenario.
type fault struct {
	kind     kind
	from, to time.Duration
	lag      time.Duration
	share    float64 // that is lost
	channel  rules.ChannelID
	by       float64 // SI
	held     float64 // what a frozen channel had
	has      bool
	met      bool // it changed something
}

func (f *fault) stands(at time.Duration) bool { return at >= f.from && at < f.to }

// Scenario is faults with their times; it belongs to one recording at a time.
type Scenario struct {
	Title string
	// Says is each line as it was read.
	Says   []string
	faults []fault
	held   []*intake.Chunk // that come later
	look   *intake.Chunk
	n      uint64
	err    error
}

// Unmet returns the lines that changed nothing of a recording that was gone through, each
// with what may explain it.
func (s *Scenario) Unmet() (lines []string) {
	for i := range s.faults {
		why := "nothing that it could change comes then"
		if s.faults[i].kind == doubles {
			why = "no datagram comes then, and bytes without addresses show no second sender"
		}
		if !s.faults[i].met {
			lines = append(lines, s.Says[i]+": "+why)
		}
	}
	return lines
}

// Clone is the scenario for another recording.
func (s *Scenario) Clone() *Scenario {
	return &Scenario{Title: s.Title, Says: s.Says, faults: slices.Clone(s.faults)}
}

// Read reads a scenario; the error names the line.
func Read(name string, text []byte) (*Scenario, error) {
	s := &Scenario{}
	n := 0
	for line := range strings.Lines(string(text)) {
		n++
		line = strings.TrimSpace(line)
		word, rest, _ := strings.Cut(line, " ")
		switch word {
		case "", "#", "expect":
		case "title":
			s.Title = strings.TrimSpace(rest)
		case "at":
			f, err := readFault(strings.Fields(rest))
			if err != nil {
				return nil, fmt.Errorf("%s:%d: %w (got %q)", name, n, err, line)
			}
			s.faults, s.Says = append(s.faults, f), append(s.Says, line)
		default:
			if strings.HasPrefix(word, "#") {
				continue
			}
			return nil, fmt.Errorf("%s:%d: a scenario for a recording has lines that begin with title or at, its times from the recording's start (got %q)", name, n, line)
		}
	}
	if len(s.faults) == 0 {
		return nil, fmt.Errorf("%s: no fault in it; write a line such as: at 60 s fault telemetry stops for 4 s", name)
	}
	return s, nil
}

const forms = "write such as: at 60 s fault telemetry stops for 4 s, telemetry lags 1 s, telemetry loses 67 %, CHANNEL frozen, CHANNEL missing, CHANNEL off by -2 V, reboot; or: at 60 s pad telemetry doubles"

func readFault(w []string) (f fault, err error) {
	if len(w) < 4 {
		return f, fmt.Errorf("too short; %s", forms)
	}
	if f.from, err = span(w[0], w[1]); err != nil {
		return f, err
	}
	f.to = rules.Never
	who, what := w[2], w[3:]
	if n := len(what); n > 3 && what[n-3] == "for" {
		long, err := span(what[n-2], what[n-1])
		if err != nil {
			return f, err
		}
		f.to, what = f.from+long, what[:n-3]
	}
	text := who + " " + strings.Join(what, " ")
	switch {
	case text == "fault telemetry stops":
		f.kind = stops
	case text == "pad telemetry doubles":
		f.kind = doubles
	case text == "fault reboot":
		f.kind = reboots
	case strings.HasPrefix(text, "fault telemetry lags ") && len(what) == 4:
		f.kind = lags
		f.lag, err = span(what[2], what[3])
	case strings.HasPrefix(text, "fault telemetry loses ") && len(what) == 4 && what[3] == "%":
		f.kind = loses
		if f.share, err = strconv.ParseFloat(what[2], 64); err != nil || !(f.share >= 0 && f.share <= 100) {
			err = fmt.Errorf("a share from 0 to 100 %%; %s", forms)
		}
		f.share /= 100
	case who == "fault" && len(what) >= 2:
		return onChannel(f, what)
	default:
		err = fmt.Errorf("not understood; %s", forms)
	}
	return f, err
}

func onChannel(f fault, what []string) (fault, error) {
	c, ok := rules.Lookup(what[0])
	switch {
	case !ok:
		return f, fmt.Errorf("no channel is called %q; %s", what[0], forms)
	case c.Derived:
		return f, fmt.Errorf("%s is worked out from others: lay the fault on one of those", what[0])
	}
	f.channel = c.ID
	switch what = what[1:]; {
	case len(what) == 1 && what[0] == "frozen":
		f.kind = frozen
	case len(what) == 1 && what[0] == "missing":
		f.kind = missing
	case len(what) >= 3 && what[0] == "off" && what[1] == "by":
		q, err := rules.ParseQuantity(strings.Join(what[2:], " "), c.Kind)
		f.kind, f.by = off, q.SI
		return f, err
	default:
		return f, fmt.Errorf("not understood; %s", forms)
	}
	return f, nil
}

func span(number, unit string) (time.Duration, error) {
	q, err := rules.ParseQuantity(number+" "+unit, rules.Duration)
	if err != nil {
		return 0, err
	}
	if !(q.SI >= 0 && q.SI <= 1e6) {
		return 0, fmt.Errorf("a time from 0 to 1,000,000 s; %s", forms)
	}
	return time.Duration(q.SI * 1e9), nil
}

// Next gives the next chunk of a recording as the faults leave it.
func (s *Scenario) Next(next func() (*intake.Chunk, error)) (*intake.Chunk, error) {
	for {
		if s.look == nil && s.err == nil {
			s.look, s.err = next()
		}
		if len(s.held) > 0 && (s.look == nil || s.held[0].At <= s.look.At) {
			c := s.held[0]
			s.held = s.held[1:]
			return c, nil
		}
		if s.look == nil {
			return nil, s.err
		}
		c := s.look
		s.look = nil
		if c.Source != intake.Telemetry || s.chunk(c) {
			return c, nil
		}
	}
}

// chunk lays the faults of the link over a chunk; false means that it does not come now.
func (s *Scenario) chunk(c *intake.Chunk) bool {
	s.n++
	for i := range s.faults {
		f := &s.faults[i]
		switch {
		case f.kind == reboots && c.At >= f.from && c.At < f.from+rebootSilence:
			f.met = true
			return false
		case !f.stands(c.At):
		case f.kind == stops, f.kind == loses && chance(s.n) < f.share:
			f.met = true
			return false
		case f.kind == lags:
			f.met = true
			s.later(c, f.lag)
			return false
		case f.kind == doubles && c.From.IsValid():
			f.met = true
			s.later(c, 0)
			twin := s.held[len(s.held)-1]
			twin.From = netip.AddrPortFrom(c.From.Addr(), c.From.Port()^1)
		}
	}
	if n := len(s.held); n > 0 && s.held[n-1].At > c.At {
		s.later(c, 0) // behind what is still on its way
		return false
	}
	return true
}

// later holds a copy of a chunk back; none overtakes another.
func (s *Scenario) later(c *intake.Chunk, by time.Duration) {
	late := *c
	late.Bytes, late.Checked = slices.Clone(c.Bytes), nil
	late.At += by
	if n := len(s.held); n > 0 {
		late.At = max(late.At, s.held[n-1].At)
	}
	s.held = append(s.held, &late)
}

// chance is a number from 0 to 1 that hangs on n alone (SplitMix64, from memory).
func chance(n uint64) float64 {
	n *= 0x9E3779B97F4A7C15
	n = (n ^ n>>30) * 0xBF58476D1CE4E5B9
	n = (n ^ n>>27) * 0x94D049BB133111EB
	return float64((n^n>>31)>>11) / (1 << 53)
}

// Inputs lays the faults of channels over what the intake made of a chunk.
func (s *Scenario) Inputs(at time.Duration, inputs []interlock.Input) {
	for i := range inputs {
		in := &inputs[i]
		if in.Kind != interlock.SampleInput {
			continue
		}
		for k := range s.faults {
			s.faults[k].sample(at, &in.Sample)
		}
	}
}

func (f *fault) sample(at time.Duration, x *interlock.Sample) {
	if f.kind == reboots && at >= f.from+rebootSilence && x.Channel == rules.CraftBootClock {
		if !f.has { // its clock began when it was silent
			f.has, f.held = true, x.Value-rebootSilence.Seconds()
		}
		x.Value = max(0, x.Value-f.held)
		return
	}
	if x.Channel != f.channel || f.channel == rules.NoChannel {
		return
	}
	switch {
	case f.kind == frozen && !f.stands(at):
		if at < f.from && x.Quality == rules.Good {
			f.has, f.held = true, x.Value
		}
	case !f.stands(at):
	case f.kind == frozen && f.has:
		f.met = true
		x.Quality, x.Cause, x.Value = rules.Good, rules.NoCause, f.held
	case f.kind == missing:
		f.met = true
		x.Quality, x.Cause, x.Value = rules.Missing, rules.NotANumber, 0
	case f.kind == off && x.Quality != rules.Missing:
		f.met = true
		x.Value += f.by
	}
}
