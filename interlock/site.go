package interlock

import (
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// Duty is what the guard may do.
type Duty uint8

// The duties.
const (
	Watch Duty = iota // buzzer, page and log only; the relay is never closed
	Guard             // the relay is held while everything is in order
)

// PowerUp states how the session before ended.
type PowerUp uint8

// How the session before ended.
const (
	EndedCleanly PowerUp = iota
	EndedInTrip          // in a trip, or without its end
	EndedInFault
)

// Chain is what the latch must know of the pad: lines and times, no channel.
type Chain struct {
	Duty                        Duty
	PowerUp                     PowerUp
	Fitted                      [LineCount]bool // says which input lines the pad has
	PickUp, DropOut             time.Duration   // how long the readback may take to follow
	Watchdog                    time.Duration   // how long the external watchdog holds without a heartbeat, 0 if that is not stated
	Discrepancy                 time.Duration   // how long the two emergency-stop contacts may differ
	PinStale                    time.Duration   // how long the input lines may go unread
	EndGrace                    time.Duration   // the grace of a controlled stop begun by the end button
	ReadyAfter                  time.Duration   // how long every needed channel must be healthy first
	Horn                        time.Duration   // how long the start warning sounds before the relay closes
	ResetShortest, ResetLongest time.Duration   // how long reset is held, at least and at most
}

// Site is what the engine must know of the pad. Times are durations, values
// SI. Use DefaultSite and change what the pad file says.
type Site struct {
	Chain
	Fed       [rules.ChannelCount]rules.Origin // says who feeds each measured channel
	Derived   limits.Derivation                // how channels are derived from others
	Rotors    rules.RotorsStanding             // from the relay's opening until they stand; 0 is not told
	LinkStale time.Duration                    // how long nothing may be heard from the craft
	// DownHeight is the height below which a landed craft counts as down (m);
	// LowHeight is the height that agrees with leaving a phase.
	DownHeight, LowHeight float64
	// IdleOutput is the highest motor output that counts as idle (armed rotors
	// that turn over on the ground count), LowOutput the highest that counts as
	// low (fractions).
	IdleOutput, LowOutput float64
	StillRotor            float64 // the rotor speed below which a rotor counts as standing (Hz)
	// IdleCurrent is the pack current that may remain after the relay opened
	// (A); 0 means the current is not used to verify the opening.
	IdleCurrent float64
	// PulsesAlone reports whether the pad's anemometer shows its wire whole by its pulses
	// alone: in a calm it must be turned by hand before a start.
	PulsesAlone bool
}

// Fixed times of the latch. From the project's own judgement unless a source
// stands beside them.
const (
	phaseAgreement = 2 * time.Second // a phase is left only after this much agreement
	downFor        = time.Second     // landed, low and outputs low for this long is down
	// climbFor and climbLimit: climbing this fast for this long while being
	// brought down means the craft does not obey.
	climbFor   = time.Second
	climbLimit = 0.5
	// restartBack: a boot clock that runs back by more than this is a restart;
	// less is datagrams that overtook each other.
	restartBack = 1.0
	turnLasts   = 30 * time.Minute       // how long a pulse of the anemometer shows that its wire is whole, for a start
	resetSound  = 800 * time.Millisecond // how long "reset accepted" sounds
	// The chain test inside the horn: relay without pulses, then pulses
	// without relay; neither may close the contactor.
	testRelayFrom = 500 * time.Millisecond
	testRelayTo   = 900 * time.Millisecond
	testBeatFrom  = 1200 * time.Millisecond
	testBeatTo    = 1700 * time.Millisecond
)

// DefaultSite is a pad with nothing fitted and every time at its default.
func DefaultSite() Site {
	return Site{
		Chain: Chain{
			PickUp: 400 * time.Millisecond, DropOut: 200 * time.Millisecond,
			Discrepancy: 500 * time.Millisecond, PinStale: 20 * time.Millisecond,
			EndGrace: 30 * time.Second, ReadyAfter: 10 * time.Second, Horn: 3 * time.Second,
			// A shortest pulse of 400 ms is one maker's example; ours is shorter
			// because a gloved hand taps.
			ResetShortest: 100 * time.Millisecond, ResetLongest: 3 * time.Second,
		},
		LinkStale: 500 * time.Millisecond, DownHeight: 0.3, LowHeight: 1, IdleOutput: 0.15, LowOutput: 0.25, StillRotor: 1,
	}
}
