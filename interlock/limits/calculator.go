package limits

import (
	"time"

	"downhaul/rules"
)

// Reading is the last sample of a channel.
type Reading struct {
	// At is the engine time of the sample; meaningless while Quality is
	// Missing with cause NeverHeard (the zero Reading).
	At      time.Duration
	Value   float64 // SI; 0 when Missing, never NaN
	Quality rules.Quality
	Cause   rules.Cause
}

// Table holds the last reading of every channel, by ID.
type Table [rules.ChannelCount]Reading

// Fresh gives the last reading of id if it is Good or Doubtful and no older
// than limit at the instant at. Anything else is Missing, with the cause.
func (t *Table) Fresh(id rules.ChannelID, at, limit time.Duration) Reading {
	r := t[id]
	if r.Quality == rules.Missing {
		if r.Cause == rules.NoCause {
			r.Cause = rules.NeverHeard
		}
		return r
	}
	if at-r.At > limit {
		return Reading{At: r.At, Quality: rules.Missing, Cause: rules.Stale}
	}
	return r
}

// Result is a value of a channel, as it was measured or as a calculator publishes it.
type Result struct {
	Value   float64 // SI; 0 when Missing, never NaN
	Quality rules.Quality
	Cause   rules.Cause
}

// Calculator works out one derived channel. It has one trigger channel and may
// read any other channel's last value, with its age, from the table.
type Calculator interface {
	// Trigger is the channel whose every sample calls Sample.
	Trigger() rules.ChannelID
	// Output is the derived channel.
	Output() rules.ChannelID
	// Sample is called after the trigger's reading was stored in the table,
	// also when that reading is Missing. ok false publishes nothing.
	Sample(at time.Duration, t *Table) (r Result, ok bool)
	// Due is the next instant at which the output changes without any sample,
	// rules.Never if there is none. It may be early, never late.
	Due() time.Duration
	// Tick is called at the instant Due gave (never later than the next
	// Sample at the same time). ok false publishes nothing; either way Due
	// must move on.
	Tick(at time.Duration, t *Table) (r Result, ok bool)
	// Clone is a copy that shares nothing that changes.
	Clone() Calculator
}

// Derivation is how channels are derived from others. It is asked once, at the start.
type Derivation interface {
	// Needs returns the measured channels that id rests on: each must be fed for it to
	// come. Helps returns those that it looks at when they are heard.
	Needs(id rules.ChannelID) []rules.ChannelID
	Helps(id rules.ChannelID) []rules.ChannelID
	// Calculators makes what works out the wanted channels, and what those rest on,
	// each after the ones it rests on. The error lists every fault in their way.
	Calculators(env *rules.Envelope, wanted func(rules.ChannelID) bool) ([]Calculator, error)
}
