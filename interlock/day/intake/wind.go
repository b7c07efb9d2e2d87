package intake

import (
	"encoding/binary"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

// AnemometerConfig is the pulse anemometer of the pad.
//
// Speed is U = Offset + Slope·f, f the pulse frequency: the transfer line of a
// calibration certificate. The line holds only while the cups turn; a standing
// rotor is calm, not Offset.
type AnemometerConfig struct {
	// Fitted is false when the pad has none; wind chunks then give nothing.
	Fitted bool
	// Slope is metres of wind run per pulse, over 0.
	Slope float64
	// Offset is the speed in m/s at which the line meets zero pulses, 0 or more.
	Offset float64
	// MaxHz is the highest believable pulse frequency, over 0: a pulse sooner
	// than 1/MaxHz after the last makes the sample implausible.
	MaxHz float64
	// MinPeriod is the bounce time of the contact: a pulse sooner than that
	// after the last is ignored and counted. Less than 1/MaxHz; 0 is none.
	MinPeriod time.Duration
	// StillAfter is the time without a pulse after which the rotor stands, or
	// the line is dead. 0 takes 3 s.
	StillAfter time.Duration
	// OnFall counts falling edges; otherwise rising edges are the pulses.
	OnFall bool
	// StartsAt is the wind in m/s in which the cups start to turn, 0 to 10. 0
	// takes Offset, but at least 0.5 m/s.
	StartsAt float64
	// Loop is the line that is on while the sensor's wire is whole. Where it is
	// fitted a cut is seen as such, and a calm is a calm.
	Loop LineConfig
}

// LoopBit is the bit of AnemometerConfig.Loop in a pins chunk, next to the anemometer's own.
const LoopBit = int(interlock.LineCount) + 1

// Ours: figures of the wind reading.
const (
	// stillAfterDefault: at 3 m/s every common cup rotor gives several pulses in 3 s.
	stillAfterDefault = 3 * time.Second
	// breezy is the speed in m/s above which silence is a fault, not a calm:
	// cups run down over seconds and give slower and slower pulses on the way.
	breezy = 3.0
	// silentPeriods is how many of its last periods a breezy rotor may be
	// silent before its reading is in doubt.
	silentPeriods = 3
	// startsAtLeast: common cups start at 0.3 to 0.5 m/s (makers' data sheets, from
	// memory), and old ones later.
	startsAtLeast = 0.5
	// After a mean of more than windyTimes the starting wind over meanFor, no pulse
	// for doubtAfter, and for silentGaps of the longest times between pulses in
	// that mean, may be a cut wire; after longSilence it must be taken for one.
	// Cups that came down to ranDown of the starting wind at last are running down,
	// and get slackAfter.
	meanFor     = 2 * time.Minute
	meanAtLeast = time.Minute
	windyTimes  = 2
	doubtAfter  = 10 * time.Second
	ranDown     = 1.5
	slackAfter  = 30 * time.Second
	silentGaps  = 3
	longSilence = time.Minute
	// loopKeeps is how long a level of the supervised wire counts; it is read 200 times a second.
	loopKeeps = time.Second
)

// WindEdge is one record of a wind chunk.
type WindEdge struct {
	// At is the engine time of the edge.
	At time.Duration
	// Rise is true for a change to the electrical high level.
	Rise bool
	// Failed reports whether the line could not be watched; it is no edge.
	Failed bool
	// Lost counts edges known to be lost just before this record, at most 65535.
	Lost uint16
}

const (
	// WindEvery is the time between wind chunks: 4 Hz (WMO-No. 8 practice).
	WindEvery = 250 * time.Millisecond
	// WindEdgeSize is the bytes of a record: engine time in ns (int64), flags, lost (uint16), little-endian.
	WindEdgeSize = 11

	windRise   = 1
	windFailed = 2
)

// AppendWindEdges adds the records of edges to dst: the payload of a wind chunk, with no
// record at all when nothing turned.
func AppendWindEdges(dst []byte, edges []WindEdge) []byte {
	for _, e := range edges {
		var flags byte
		if e.Rise {
			flags |= windRise
		}
		if e.Failed {
			flags |= windFailed
		}
		dst = binary.LittleEndian.AppendUint64(dst, uint64(e.At))
		dst = append(dst, flags)
		dst = binary.LittleEndian.AppendUint16(dst, e.Lost)
	}
	return dst
}

// DecodeWindEdge reads the first record of b; ok is false if it is short or its flags are none of ours.
func DecodeWindEdge(b []byte) (e WindEdge, ok bool) {
	if len(b) < WindEdgeSize || b[8] > windRise|windFailed {
		return WindEdge{}, false
	}
	return WindEdge{
		At:     time.Duration(binary.LittleEndian.Uint64(b)),
		Rise:   b[8]&windRise != 0,
		Failed: b[8]&windFailed != 0,
		Lost:   binary.LittleEndian.Uint16(b[9:]),
	}, true
}

// wind turns pulses into speed.
//
// One chunk gives exactly one sample: the pulses that ended in it divided by
// their time, a run of wind, so that the mean of 12 samples at 4 Hz is the 3 s
// mean. Without a pulse the last speed stands until the silence itself bounds
// it: the next period is at least as long as the time since the last pulse.
//
// Silence never clears anything. After more than 3 m/s a rotor silent for three
// of its periods gives doubtful samples, and after StillAfter the sensor has
// failed, until two pulses give a period again. After less, pulses alone cannot
// tell a calm from a cut wire: where it blew before, silence is doubtful (see
// windy), else it is calm, 0 m/s. Before the first pulse it is missing, never
// heard (turn the cups by hand).
//
// A supervised wire tells the two apart: cut is missing, and calm is calm.
type wind struct {
	cfg   AnemometerConfig
	windy windy
	// Of the supervised wire: read at all, cut now, and cut since the last chunk.
	loopRead, loopCut, loopWasCut bool
	loopAt                        time.Duration
	shortest                      time.Duration // 1/MaxHz

	heard  bool          // a pulse was seen
	timed  bool          // speed holds
	failed bool          // silent after a breeze; ends with the next period
	gap    bool          // pulses may have gone unseen since the last one
	last   time.Duration // the last pulse
	quiet  time.Duration // since when the line was watched and gave no pulse
	period time.Duration // the last period
	speed  float64       // m/s, of the last sample made from periods

	// The count as a check of the periods: see compare.
	checking           bool
	checkEdge, checkAt time.Duration
	apart              bool
}

// periodOf is one period at f, which is over 0 and at most 1e5 Hz.
func periodOf(f float64) time.Duration {
	p := 1e9 / f
	if p > 3.6e12 {
		return time.Hour
	}
	return time.Duration(p)
}

func newWind(c AnemometerConfig) wind {
	if c.StillAfter == 0 {
		c.StillAfter = stillAfterDefault
	}
	if c.StartsAt == 0 {
		c.StartsAt = max(c.Offset, startsAtLeast)
	}
	w := wind{cfg: c}
	if c.Fitted {
		w.shortest = periodOf(c.MaxHz)
	}
	return w
}

// span is what one chunk holds.
type span struct {
	sum      time.Duration // of the periods that ended in it
	pulses   int           // their count
	doubt    rules.Cause   // why the value is only doubtful
	broken   bool          // the line could not be watched
	tooQuick bool          // a pulse came sooner than any rotor turns
}

// append takes one wind chunk.
func (w *wind) append(dst []interlock.Input, c *Chunk, n *Counts) []interlock.Input {
	if !w.cfg.Fitted {
		return dst
	}
	var s span
	if c.Lost > 0 {
		w.miss(c.At, &s)
	}
	for b := c.Bytes; len(b) > 0; b = b[WindEdgeSize:] {
		e, ok := DecodeWindEdge(b)
		if !ok {
			// Where the next record starts is not known any more.
			n.BadRecords++
			w.miss(c.At, &s)
			break
		}
		w.edge(e, c.At, &s, n)
	}
	if s.pulses > 0 {
		w.compare(c.At)
	}
	if w.loopWasCut {
		w.miss(c.At, &s)
	}
	r := w.sample(c.At, &s)
	if w.cfg.Loop.Fitted {
		switch {
		case w.loopWasCut:
			r = missing(rules.WindSpeed, rules.WireCut)
		case !w.loopRead:
			r = missing(rules.WindSpeed, rules.NeverHeard)
		case c.At-w.loopAt > loopKeeps:
			r = missing(rules.WindSpeed, rules.Stale)
		}
		w.loopWasCut = w.loopCut
	} else {
		w.windy.take(c.At, r, s.pulses > 0, w.period)
	}
	return append(dst, sampleInput(r))
}

// loop takes a level of the supervised wire.
func (w *wind) loop(at time.Duration, levels uint32) {
	if !w.cfg.Loop.Fitted {
		return
	}
	w.loopRead, w.loopAt = true, at
	w.loopCut = levels>>LoopBit&1 == 1 == w.cfg.Loop.Invert
	w.loopWasCut = w.loopWasCut || w.loopCut
}

// Limits of compare; ours: wide enough for a loop on a busy desk computer.
const (
	compareEvery = 10 * time.Second
	compareSlack = time.Second
	compareShare = 5
)

// compare holds the periods, which rest on the edges' own times, against the
// count of the same pulses over the loop's time. Both have the same pulses, so
// that they agree when the two times do: edges stamped by another clock, or in
// bunches, would read a wind that is not there.
func (w *wind) compare(at time.Duration) {
	if w.checking {
		loop := at - w.checkAt
		if loop < compareEvery {
			return
		}
		off := w.last - w.checkEdge - loop
		w.apart = max(off, -off) > compareSlack+loop/compareShare
	}
	w.checking, w.checkEdge, w.checkAt = true, w.last, at
}

// miss notes that pulses may have gone unseen.
func (w *wind) miss(at time.Duration, s *span) {
	w.gap, w.quiet, s.doubt = true, at, rules.InputMissing
}

func (w *wind) edge(e WindEdge, at time.Duration, s *span, n *Counts) {
	if e.Lost > 0 {
		n.LostEdges += uint64(e.Lost)
		w.miss(at, s)
	}
	if e.Failed {
		n.FailedReads++
		s.broken = true
		w.miss(at, s)
		return
	}
	if e.Rise == w.cfg.OnFall {
		return
	}
	if e.At < 0 || e.At > at || (w.heard && e.At < w.last) {
		n.BadRecords++
		w.miss(at, s)
		return
	}
	if !w.heard {
		w.heard, w.gap = true, false
		w.last, w.quiet = e.At, e.At
		return
	}
	p := e.At - w.last
	if p == 0 || p < w.cfg.MinPeriod {
		n.Bounces++
		return
	}
	w.last, w.quiet = e.At, e.At
	switch {
	case w.gap:
		// This period may span pulses that nobody saw: it would read low.
		w.gap = false
	case w.failed && p >= w.cfg.StillAfter:
		// The silence that failed the sensor is no period.
	case p < w.shortest:
		s.tooQuick = true
	case w.timed && w.speed > breezy && p/silentPeriods > w.period:
		// No cup rotor slows so fast; a missed pulse looks like this. The
		// next period confirms it or not.
		s.doubt = rules.Disagreement
		w.period = p
	default:
		s.sum += p
		s.pulses++
		w.period = p
	}
}

// silence returns what silence for so long may mean, besides a calm.
func (w *wind) silence(since time.Duration) rules.Cause {
	least := max(doubtAfter, silentGaps*w.windy.longest)
	if w.windy.last <= ranDown*w.cfg.StartsAt {
		least = max(slackAfter, least)
	}
	switch {
	case w.cfg.Loop.Fitted, w.windy.before <= windyTimes*w.cfg.StartsAt, since < min(least, longSilence):
		return rules.NoCause
	case since < longSilence:
		return rules.MayBeCut
	}
	return rules.SilentLong
}

// line is the transfer line at n pulses in t, over 0.
func (w *wind) line(n int, t time.Duration) float64 {
	f := float64(n) / (float64(t) / 1e9)
	return w.cfg.Offset + float64(w.cfg.Slope*f)
}

// sample makes the one sample of a chunk.
func (w *wind) sample(at time.Duration, s *span) interlock.Sample {
	const id = rules.WindSpeed
	switch {
	case s.broken:
		return missing(id, rules.SensorFailed)
	case s.tooQuick:
		return missing(id, rules.Implausible)
	case !w.heard:
		return missing(id, rules.NeverHeard)
	case s.pulses > 0:
		w.speed = w.line(s.pulses, s.sum)
		w.timed, w.failed = true, false
		if w.apart && s.doubt == rules.NoCause {
			s.doubt = rules.Disagreement
		}
		return doubt(measured(id, w.speed), s.doubt)
	}

	// No period ended in this chunk.
	since := max(at-w.quiet, 0)
	still := since >= w.cfg.StillAfter
	if still && w.timed && w.speed > breezy {
		w.failed = true
	}
	switch {
	case w.failed:
		return missing(id, rules.SensorFailed)
	case still:
		w.timed, w.speed = true, 0
		return doubt(measured(id, 0), w.silence(since))
	case !w.timed && since == 0:
		return missing(id, rules.NotFilled)
	}
	v := w.speed
	switch {
	case !w.timed: // one pulse in a chunk, if it just came: alone it would read 60 m/s in a calm
		v = w.line(1, max(since, WindEvery))
	case since > 0:
		v = min(v, w.line(1, since))
	}
	r := measured(id, v)
	switch {
	case s.doubt != rules.NoCause:
		return doubt(r, s.doubt)
	case !w.timed:
		return doubt(r, rules.NotFilled)
	case w.speed > breezy && since/silentPeriods > w.period:
		return doubt(r, rules.Stale)
	}
	return r
}
