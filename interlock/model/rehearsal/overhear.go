package rehearsal

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"sync"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/telemetry"
	"downhaul/interlock/day/telemetry/link"
	"downhaul/interlock/day/telemetry/link/reading"
	"downhaul/interlock/pad"
	"downhaul/rules"
)

// errAlive is wrapped where the real craft is heard during a rehearsal: it has power.
var errAlive = errors.New("the real craft has power")

// Overhear listens to the pad's real links until ctx ends. alive is called, on another
// goroutine and maybe more than once, when a heartbeat of an autopilot, a pack's voltage, a
// current or a rotor's speed is heard from whoever, or when a link can be listened to no
// longer: then nobody would know. wait waits until all links are let go.
func Overhear(ctx context.Context, p *pad.Pad, alive func(error)) (wait func(), err error) {
	ctx, stop := context.WithCancel(ctx)
	var work sync.WaitGroup
	wait = func() { stop(); work.Wait() }
	for _, cfg := range p.LinkConfigs() {
		cfg.From = netip.AddrPort{} // whoever it is
		l, err := link.Open(cfg)
		if err != nil {
			wait()
			return nil, fmt.Errorf("listen to the real link: %w", err)
		}
		e := newEar(p, cfg.Kind == link.UDP)
		work.Go(func() {
			err := reading.Run(ctx, l, func(p reading.Packet) {
				if what := e.hears(p.Bytes); what != "" {
					alive(fmt.Errorf("%w: %s is heard on %s", errAlive, what, cfg))
				}
			}, func(event link.Event) {
				if !event.Up {
					alive(fmt.Errorf("the real link %s cannot be listened to (%v), so a craft that gets power would not be noticed", cfg, event.Err))
				}
			})
			if err = errors.Join(err, l.Close()); err != nil && ctx.Err() == nil {
				alive(fmt.Errorf("the real link %s cannot be listened to: %w", cfg, err))
			}
		})
	}
	return wait, nil
}

// QuietFor is how long the links of a pad must have been quiet before a rehearsal begins:
// autopilots send a heartbeat each second.
func QuietFor(p *pad.Pad) time.Duration { return max(5*time.Second, 2*p.Slow[rules.LinkAge]) }

// ear is what one link is listened to with.
type ear struct {
	craft     uint8
	fields    *telemetry.Fields
	datagrams bool
	stream    telemetry.Stream
	samples   []interlock.Input
}

func newEar(p *pad.Pad, datagrams bool) *ear {
	fields, err := telemetry.NewFields(telemetry.FieldsConfig{})
	if err != nil {
		panic(err) // of an empty configuration there is nothing wrong
	}
	return &ear{craft: p.Craft.System, fields: fields, datagrams: datagrams}
}

// hears returns what in these bytes tells of a craft with power, empty for nothing.
func (e *ear) hears(b []byte) string {
	if !e.datagrams {
		e.stream.Feed(b)
		for {
			f, ok := e.stream.Next()
			if !ok {
				return ""
			}
			if what := e.tells(&f); what != "" {
				return what
			}
		}
	}
	var f telemetry.Frame
	for used, ok := e.stream.NextInto(&f, b, true); ok; used, ok = e.stream.NextInto(&f, b, true) {
		b = b[used:]
		if what := e.tells(&f); what != "" {
			return what
		}
	}
	return ""
}

// HEARTBEAT of the common message set: its number, the place of the autopilot in its
// payload, and the word of what is none (a ground station, a radio).
const (
	heartbeatID = 0
	autopilotAt = 5
	noAutopilot = 8
)

func (e *ear) tells(f *telemetry.Frame) string {
	if f.ID == heartbeatID {
		autopilot := byte(0) // zeros at the end are left out
		if len(f.Payload) > autopilotAt {
			autopilot = f.Payload[autopilotAt]
		}
		if f.System == e.craft || autopilot != noAutopilot {
			return fmt.Sprintf("a heartbeat of system %d", f.System)
		}
		return ""
	}
	e.samples = e.fields.Append(e.samples[:0], f)
	for i := range e.samples {
		s := &e.samples[i].Sample
		if e.samples[i].Kind != interlock.SampleInput || s.Quality != rules.Good || s.Value == 0 {
			continue
		}
		switch about := s.Channel.Channel(); about.Kind {
		case rules.Voltage, rules.Current, rules.Frequency:
			return fmt.Sprintf("%s of system %d", about.Says, f.System)
		}
	}
	return ""
}
