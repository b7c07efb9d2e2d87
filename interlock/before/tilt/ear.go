package tilt

import (
	"sync"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/telemetry"
	"downhaul/rules"
)

// Ear takes out of telemetry what a watch wants to know. For use by several
// goroutines; the watch is then the ear's own until none hears any more.
type Ear struct {
	mu                sync.Mutex
	system, component uint8
	fields            *telemetry.Fields
	streams           map[uint8]*telemetry.Stream
	samples           []interlock.Input
	watch             *Watch
}

// NewEar listens for one craft. Of cfg the range of the outputs counts.
func NewEar(system, component uint8, cfg telemetry.FieldsConfig, w *Watch) (*Ear, error) {
	cfg.Wanted, cfg.Named = new([rules.ChannelCount]bool), nil
	for id := rules.Motor1Output; id <= rules.Motor16Output; id++ {
		cfg.Wanted[id] = true
	}
	cfg.Wanted[rules.Roll], cfg.Wanted[rules.Pitch] = true, true
	fields, err := telemetry.NewFields(cfg)
	if err != nil {
		return nil, err
	}
	return &Ear{system: system, component: component, fields: fields, streams: map[uint8]*telemetry.Stream{}, watch: w}, nil
}

// Hear takes bytes of one link at that time. Times never run back.
func (e *Ear) Hear(at time.Duration, link uint8, b []byte) {
	e.mu.Lock()
	defer e.mu.Unlock()
	s := e.streams[link]
	if s == nil {
		s = new(telemetry.Stream)
		e.streams[link] = s
	}
	s.Feed(b)
	for f, ok := s.Next(); ok; f, ok = s.Next() {
		if f.System != e.system || f.Component != e.component {
			continue
		}
		e.samples = e.fields.Append(e.samples[:0], &f)
		roll := 0.0
		for i := range e.samples {
			switch x := &e.samples[i].Sample; {
			case x.Quality != rules.Good:
			case x.Channel == rules.Roll:
				roll = x.Value
			case x.Channel == rules.Pitch: // of the same frame, behind roll
				e.watch.Attitude(at, roll, x.Value)
			default:
				e.watch.Output(at, int(x.Channel-rules.Motor1Output)+1, x.Value)
			}
		}
	}
}

// Break reports whether something is missing in front of the next bytes: a frame that
// began is not ended by them, and no rest or lean counts across it.
func (e *Ear) Break() {
	e.mu.Lock()
	defer e.mu.Unlock()
	clear(e.streams)
	e.watch.Break()
}

// Now is what the watch knows at this moment.
type Now struct {
	// Next states what to do, in one short line; Done that nothing more is asked.
	Next string
	Done bool
	// Lean is how far the craft leans, rad.
	Lean float64
	// Held and Good are the directions that were held, and those that were good
	// as yet.
	Held, Good [Directions]bool
}

// Now asks the watch.
func (e *Ear) Now() (n Now) {
	e.mu.Lock()
	defer e.mu.Unlock()
	n = Now{Next: e.watch.Next(), Done: e.watch.Done(), Lean: e.watch.Lean()}
	for d := range Direction(Directions) {
		n.Held[d], n.Good[d] = e.watch.Held(d)
	}
	return n
}
