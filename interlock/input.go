package interlock

import (
	"downhaul/rules"
)

// InputKind states what an Input carries.
type InputKind uint8

// The kinds of input.
const (
	SampleInput InputKind = iota + 1 // carries Sample: one channel's value
	// LineInput carries Line and On: the level of one input line. It is sent
	// on every change and again at least every PinPeriod, so that silence
	// shows.
	LineInput
	// FrameInput means that a frame of the named craft was accepted: the link
	// is alive. Seq is the frame's own sequence number, 0 to 255.
	FrameInput
	HostInput // carries Host and, where the event has one, On and Seq
)

// Line is an input line of the pad. On is always the meaning below, whatever
// the wiring; intake turns levels into meanings.
type Line uint8

// The input lines.
const (
	EStopA   Line = iota // On: contact A closed, not pressed
	EStopB               // On: contact B closed, not pressed
	Gate                 // On: gate closed
	Hold                 // On: hold-to-run held
	Reset                // On: pressed
	Start                // On: pressed
	End                  // On: pressed
	Readback             // On: the last contactor is closed (power can reach the rotors)
	LineCount
)

// Host is something the host tells the engine.
type Host uint8

// The host events.
const (
	HostKept        Host = iota + 1 // the records of all trips up to Seq are on disk; 0 takes that back
	HostLost                        // Seq chunks were lost in front of the engine
	HostStalled                     // the loop did not run for longer than it may. Trips.
	HostRelayFailed                 // a write to the relay or heartbeat line failed (On true) or works again (On false)
	HostLink                        // link Seq came up (On) or went down
	HostDisk                        // disk room is too low (On) or enough again
	HostProof                       // proof test Seq is overdue (On) or in force
	HostClash                       // one identity was heard from two addresses. Trips.
	HostMark                        // somebody stamped "look here"
	HostSensor                      // own sensor of channel Sample.Channel failed (On) or works again
	HostDeclared                    // a declaration was made (its text is in the record)
	HostEnd                         // the session ends. Opens the relay for good.
	// HostStopTime: the rotors stand Seq milliseconds after the relay's opening,
	// measured (On) or stated. The numbers stand in recordings: what is new
	// comes last.
	HostStopTime
	HostCard // the test card asks for something before a start that is not met (On), or everything it asks is met
	// HostReaction: the thrust is gone Seq milliseconds after a sample was
	// taken: what the predicted apex counts on where that is longer than what
	// the pad file states.
	HostReaction
	// HostGround: the step in force is done on the ground (On), or flies; Seq is
	// what the load cell in its tie-down never reads less than, mN, 0 without one.
	HostGround
	// HostStrangers: Seq datagrams of others on a link, none of which could be the
	// craft's, were more than the records keep. For the record only.
	HostStrangers
	HostLedger // a fault of the chain or a defect that stands open holds the next start back (On), or none does
	// HostHeldUp: the loop did not run for Seq milliseconds until now. Trips, in
	// front of all that fell due meanwhile. (HostStalled, in older recordings,
	// comes behind that.)
	HostHeldUp
	// HostBroken: what reads links and sensors panicked; the text of it is in the
	// record. A fault for the rest of the session.
	HostBroken
	hostCount
)

// Known reports whether there is such a host event.
func (h Host) Known() bool { return h >= HostKept && h < hostCount }

// Input is one thing the engine is told. It is a value; nothing is shared.
type Input struct {
	Kind   InputKind
	Line   Line
	Host   Host
	On     bool
	Seq    uint32
	Sample Sample
}

// Sample is one channel's value at the time of the Step it comes with.
type Sample struct {
	Channel rules.ChannelID
	Quality rules.Quality
	Cause   rules.Cause
	Value   float64 // SI unit of the channel's kind
}
