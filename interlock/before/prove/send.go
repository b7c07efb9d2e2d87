package prove

import (
	"math"
	"time"

	"downhaul/interlock/day/intake"
	"downhaul/rules"
)

// send has one source tell of the scene.
func (r *rig) send(i int) {
	s := &r.p.sources[i]
	if s.kind != pinLevels && s.kind != craftFrame && r.mute[i] {
		return
	}
	switch s.kind {
	case pinLevels:
		r.sendPins()
	case windPulses:
		r.sendWind()
	case cellCounts:
		r.sendCount()
	default:
		r.sendFrame(i)
	}
}

func (r *rig) sendFrame(i int) {
	s := &r.p.sources[i]
	r.p.turns = r.sent[i]
	r.sent[i]++
	if !r.silent && !r.mute[i] {
		lost := false
		if r.sc.loss > 0 {
			if r.lost[i] += r.sc.loss; r.lost[i] >= 1 {
				r.lost[i]--
				lost = true
			}
		}
		seq := r.seq
		r.seq++
		if !lost {
			r.frame, r.told[i] = r.now, r.bootMicros(&r.sc)
			craft := r.p.setup.Intake.Craft
			b := r.p.encoder.frame(s.make(r, &r.sc), craft.System, craft.Component, seq)
			r.chunk(intake.Chunk{Source: intake.Telemetry, From: r.p.from, Bytes: b})
		}
	}
	if r.beside != nil {
		r.beside(r, i)
	}
}

func (r *rig) sendPins() {
	var levels uint32
	for l, on := range r.lines {
		if on != r.p.setup.Intake.Lines[l].Invert {
			levels |= 1 << l
		}
	}
	if loop := r.p.setup.Intake.Anemometer.Loop; loop.Fitted && !loop.Invert {
		levels |= 1 << intake.LoopBit
	}
	r.bytes = intake.AppendPins(r.bytes[:0], levels, false)
	r.chunk(intake.Chunk{Source: intake.Pins, Bytes: r.bytes})
}

func (r *rig) sendCount() {
	c := &r.p.setup.Intake.LoadCell
	r.p.turns = int(r.now.Seconds() * r.p.setup.CellRate)
	f := r.at(&r.sc, rules.Tension)
	n := intake.Count{At: r.now}
	if r.sc.failed || math.IsNaN(f) {
		n.Failed = true
	} else {
		n.Value = int32(math.Max(-1<<23, math.Min(1<<23-1, float64(c.Zero)+math.Round(f/c.NewtonsPerCount))))
	}
	r.bytes = intake.AppendCounts(r.bytes[:0], []intake.Count{n})
	r.chunk(intake.Chunk{Source: intake.LoadCell, Bytes: r.bytes})
}

// sendWind sends the pulses since the last time: steady ones of the speed that
// the scene has now.
func (r *rig) sendWind() {
	c := &r.p.setup.Intake.Anemometer
	edges := r.edges[:0]
	r.p.turns = int(r.now / rules.WindSpeed.Channel().Period)
	if v := r.at(&r.sc, rules.WindSpeed); r.sc.failed || math.IsNaN(v) {
		edges = append(edges, intake.WindEdge{At: r.now, Failed: true})
	} else if v > c.Offset {
		period := max(1, time.Duration(math.Round(c.Slope/(v-c.Offset)*1e9)))
		if r.pulse < r.now-time.Hour {
			r.pulse = r.now
		}
		for r.pulse+period <= r.now {
			r.pulse += period
			edges = append(edges, intake.WindEdge{At: r.pulse, Rise: !c.OnFall})
		}
	}
	r.edges = edges
	r.bytes = intake.AppendWindEdges(r.bytes[:0], edges)
	r.chunk(intake.Chunk{Source: intake.Wind, Bytes: r.bytes})
}

// tellNow has what tells of channels tell at once.
func (r *rig) tellNow(ids ...rules.ChannelID) {
	for _, k := range r.p.sourcesOf(ids) {
		r.send(k)
	}
}
