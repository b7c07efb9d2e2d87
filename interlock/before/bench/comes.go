package bench

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"downhaul/interlock/day/derived"
	"downhaul/interlock/pad"
	"downhaul/rules"
)

// Gaps counts the times between values, each rounded up to two figures of a millisecond:
// ten hours of a fast link have millions, of some hundred lengths.
type Gaps struct {
	Longest time.Duration // not rounded
	count   map[time.Duration]int
	n       int
}

// Add counts one.
func (g *Gaps) Add(d time.Duration) {
	if g.count == nil {
		g.count = map[time.Duration]int{}
	}
	g.count[TwoFigures(d)]++
	g.n++
	g.Longest = max(g.Longest, d)
}

// Rows are the lengths from the shortest on, in seconds, each with how often it came.
func (g *Gaps) Rows() (rows [][2]float64) {
	for _, d := range slices.Sorted(maps.Keys(g.count)) {
		rows = append(rows, [2]float64{d.Seconds(), float64(g.count[d])})
	}
	return rows
}

// Spacing is the time within which nine of ten ended; 0 without a gap.
func (g *Gaps) Spacing() time.Duration {
	left := (g.n - 1) * 9 / 10
	for _, d := range slices.Sorted(maps.Keys(g.count)) {
		if left -= g.count[d]; left < 0 {
			return d
		}
	}
	return 0
}

// TwoFigures rounds up to two figures of a millisecond.
func TwoFigures(d time.Duration) time.Duration {
	step := time.Millisecond
	for d > 99*step {
		step *= 10
	}
	return (d + step - 1) / step * step
}

// SilentLink is the longest that a link may be silent on any pad: what is longer is no
// channel's own silence.
const SilentLink = time.Second

// came is how far apart one message came, or all of them, while the link was heard.
type came struct {
	begun       bool
	last, quiet time.Duration // when it came last, and how long the link had been silent by then
	gaps        Gaps
}

func (c *came) take(at, quiet time.Duration) (gap time.Duration) {
	if gap = at - c.last - (quiet - c.quiet); c.begun {
		c.gaps.Add(max(0, gap))
	} else {
		c.begun, gap = true, 0
	}
	c.last, c.quiet = at, quiet
	return gap
}

// slow states the spacings at which the signs come in the recording, as a pad file would,
// and returns what is to be said of that.
func (h *heard) slow(cfg *derived.Config) []string {
	height := cfg.HeightSources[0]
	climb := cfg.ClimbSource
	if climb == rules.NoChannel {
		climb = derived.ClimbPartner(height)
	}
	message := map[rules.ChannelID]uint32{rules.CraftArmed: idHeartbeat, rules.CraftLanded: idExtendedState, rules.MotorHighest: idServoOutput}
	message[rules.Climb] = map[rules.ChannelID]uint32{rules.ClimbGlobal: 33, rules.ClimbLocal: 32, rules.ClimbHUD: 74}[climb]
	for i := range heightSources {
		if s := &heightSources[i]; s.channel == height {
			message[rules.Height] = s.id
		}
	}
	cfg.Slow = map[rules.ChannelID]time.Duration{}
	var counts, over, notes []string
	for _, row := range pad.MaySlow() {
		sign, _ := rules.Lookup(row[0])
		every := h.link.gaps.Spacing()
		if id, ok := message[sign.ID]; ok {
			every = 0
			if c := h.came[id]; c != nil {
				every = c.gaps.Spacing()
			}
		}
		if 5*every <= 2*sign.ID.Stale() {
			continue
		}
		if most, _ := rules.ParseDuration(row[1]); every > most {
			over = append(over, fmt.Sprintf("%s %s (%s)", row[0], rules.FormatDuration(every), row[1]))
			every = most
		}
		counts = append(counts, row[0]+" "+rules.FormatDuration(every))
		pad.Slower(cfg.Slow, *cfg, sign.ID, every)
	}
	if len(counts) > 0 {
		notes = append(notes, "signs come seldom in it, so each counts for two and a half of its spacing, as with [comes_every] in a pad file: "+strings.Join(counts, ", "))
	}
	if len(over) > 0 {
		notes = append(notes, "of these, some come even more seldom than a pad file may state, and count as with what it may: "+strings.Join(over, ", ")+"; check --heard says what that would cost")
	}
	return notes
}
