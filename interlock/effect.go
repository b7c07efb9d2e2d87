package interlock

import (
	"time"

	"downhaul/rules"
)

// State is a state of the latch.
type State uint8

// The states. The relay is open in all but the last part of Closing, Live and
// Lowering.
const (
	Blocked  State = iota // relay open, start not allowed. The state of duty watch.
	Ready                 // every permissive holds and the reset was made
	Closing               // the start warning sounds, the chain is tested, the relay closes
	Live                  // power can reach the rotors
	Lowering              // a controlled stop runs
	Tripped               // latched until the cause is gone and a person resets
	Fault                 // a self-test failed
	stateCount
)

// Sound is what the buzzer says. The most urgent one wins.
type Sound uint8

// The sounds, least urgent first.
const (
	Silent Sound = iota
	SoundReset
	SoundCaution
	SoundClosing
	SoundBringDown
	SoundTripped
	SoundFault
	soundCount
)

// EffectKind states what an Effect asks of the shell.
type EffectKind uint8

// The kinds of effect. Relay and Beat come first of what one instant brings.
const (
	RelayEffect   EffectKind = iota + 1 // energise (On) or drop the kill relay
	BeatEffect                          // heartbeat edges may run (On) or must stop
	SoundEffect                         // the buzzer says Sound from now on
	LampEffect                          // one flash with its sound, to line cameras up with the log
	StateEffect                         // the latch moved From to State because of Reason
	TripEffect                          // a stop became due; Trip numbers it in the session. Its record must be kept before a reset.
	CautionEffect                       // a rule's pre-trip warning came on or went off
	ClearEffect                         // the cause of a stop is gone (it stays latched)
	// NoteEffect: nothing changed, but somebody may want to know: an input
	// was ignored, a permissive was lost while live, a mark was made.
	NoteEffect
	ConsequenceEffect // a stop became due by the silence of the craft that Trip stands for; it is counted there
	effectKindCount
)

// Effect is one thing the engine decided. It is a value; nothing is shared.
type Effect struct {
	Kind EffectKind
	// At is the engine time at which it became due; for a timer that is its
	// own due instant, not the time of the call.
	At           time.Duration
	On           bool
	From, State  State // the latch states of a StateEffect
	Sound        Sound
	Reason       Reason
	Rule         int // the index of the rule in the envelope, −1 for built-ins
	Permissive   int // the index of the condition for a NoteEffect about one, −1 otherwise
	Stop         rules.Stop
	Channel      rules.ChannelID
	HasValue     bool // Value and Limit are set (SI, the rate for rate rules)
	Value, Limit float64
	Cause        rules.Cause
	FirstOut     bool
	Trip         uint32
	Lasted       time.Duration // how long the cause of a trip had lasted, 0 where that says nothing
	Line         Line
}

// Reason is why the latch moved, a stop became due or an input was ignored.
type Reason uint8

// The reasons.
const (
	NoReason Reason = iota
	ReasonPowerUp
	ReasonUnfinishedTrip
	ReasonUnfinishedFault
	ReasonRule            // a rule's limit was left
	ReasonRuleMissing     // a rule's channel is missing
	ReasonEStop           // emergency stop pressed
	ReasonEStopOne        // only one contact of the emergency stop opened
	ReasonGate            // gate opened
	ReasonHold            // hold-to-run released
	ReasonReadbackOpened  // contactor opened by itself
	ReasonReadbackClosed  // contactor closed when it must be open
	ReasonReadbackNot     // contactor did not close in time
	ReasonPowerRemains    // rotors turn or current flows after the opening
	ReasonStalled         // the guard's loop did not run in time
	ReasonRelayFailed     // the relay or heartbeat line could not be written
	ReasonPinsSilent      // input lines could not be read in time
	ReasonLink            // nothing heard from the craft
	ReasonRestart         // the craft restarted
	ReasonClash           // two senders under one identity
	ReasonGraceOver       // grace of a controlled stop ended
	ReasonClimbing        // climbing while lowering
	ReasonHeightLost      // height lost while lowering
	ReasonDown            // the craft is down
	ReasonEnd             // end pressed
	ReasonSessionEnd      // the guard ends
	ReasonReset           // reset pressed and released
	ReasonStart           // start pressed
	ReasonPermissivesHold // every permissive holds
	ReasonPermissiveLost  // a permissive was lost
	ReasonClosed          // chain closed and read back
	ReasonNotIdle         // motor outputs are not idle
	ReasonNotHeld         // hold-to-run is not held
	ReasonNotReset        // a reset is needed first
	ReasonNotKept         // trip record not on disk yet
	ReasonCausePresent    // the cause still stands
	ReasonArmed           // the craft is armed, or its state is unknown
	ReasonTurning         // the rotors may still turn
	ReasonPressTooShort   // button released too soon
	ReasonPressTooLong    // button held too long
	ReasonStuck           // button was on before it counted
	ReasonNotNow          // this state does not listen to it
	ReasonDuty            // duty watch never closes the relay
	ReasonMark            // look here
	ReasonDeclared        // somebody declared something
	ReasonLost            // inputs were lost in front of the engine
	ReasonDisk            // disk room
	ReasonProof           // proof test overdue, or in force again
	ReasonSensor          // own sensor failed
	ReasonStopProven      // how long the rotors take to stand was told
	ReasonSilenced        // a sound was acknowledged by the reset button
	ReasonCard            // what the test card asks is not met, or is
	ReasonReaction        // how long until the thrust is gone was told
	ReasonStep            // whether the step in force is done on the ground was told
	ReasonLeftGround      // the craft left the ground in a step on the ground
	ReasonTieDown         // the tie-down's pull is gone
	ReasonGroundUnseen    // height or pull are missing in a step on the ground
	ReasonDoubt           // a rule's channel may be missing, or may not
	ReasonLedger          // a fault of the chain or a defect stands open, or none does
	ReasonWatchdog        // the contactor was closed after a stall that the watchdog should have ended
	ReasonThenSilent      // a value had left its limit or caution, then nothing was heard from the craft
	ReasonBroken          // a part of the guard's program failed
	ReasonPressAgain      // something barred the reset, or came, since it was pressed
	reasonCount
)
