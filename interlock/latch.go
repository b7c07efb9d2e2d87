package interlock

// Event is something that can move the latch. Whether it counts (a reset
// pressed and released in its window, a start seen off first, and so on) was
// settled before it became an Event.
type Event uint8

// The events, in the order in which they act when several fall together:
// fault, immediate, controlled, end, reset, start.
const (
	EventMirrorClosed   Event = iota // mirror closed when it must be open, or power remains
	EventSelfTest                    // a self-test failed: relay write, contact discrepancy
	EventNotClosed                   // not closed by pick-up
	EventEStop                       // emergency stop, one contact or both
	EventMirrorOpened                // contactor opened by itself
	EventImmediate                   // an immediate stop is due; loop overrun, craft restart, identity clash
	EventGate                        // gate opened
	EventHold                        // hold-to-run released
	EventGraceOver                   // grace of a controlled stop ended
	EventClimbing                    // climbing while lowering
	EventHeightLost                  // height lost while lowering
	EventDown                        // landed, low, outputs low
	EventControlled                  // a controlled stop is due
	EventEnd                         // end pressed
	EventSessionEnd                  // the guard ends
	EventPermissiveLost              // a permissive was lost
	EventReset                       // reset accepted
	EventPermissives                 // every permissive holds and the reset was made
	EventStart                       // start accepted
	EventClosed                      // closing done: readback agrees
	eventCount
)

// Next is the state that event leads to from state s. grounded says that the
// craft is known to be disarmed and landed. changed false means that the event
// is not listed for that state: it is ignored (and logged).
//
// This is the whole latch; testdata/latch.txt holds the same table as rows and
// the test compares the two. Every move to Blocked, Tripped or Fault opens the
// relay and stops the heartbeat.
func (s State) Next(event Event, grounded bool) (next State, changed bool) {
	switch event {
	case EventMirrorClosed, EventSelfTest:
		if s != Fault {
			return Fault, true
		}
	case EventNotClosed:
		if s == Closing {
			return Fault, true
		}
	case EventEStop:
		if s != Fault && s != Tripped {
			return Tripped, true
		}
	case EventMirrorOpened:
		if s == Live || s == Lowering {
			return Tripped, true
		}
	case EventImmediate:
		switch s {
		case Ready:
			return Blocked, true
		case Closing, Live, Lowering:
			return Tripped, true
		}
	case EventGate:
		switch s {
		case Ready:
			return Blocked, true
		case Closing, Live, Lowering:
			return Tripped, true
		}
	case EventHold:
		switch s {
		case Closing:
			return Blocked, true
		case Live, Lowering:
			if grounded {
				return Blocked, true
			}
			return Tripped, true
		}
	case EventGraceOver, EventClimbing, EventHeightLost, EventDown:
		if s == Lowering {
			return Tripped, true
		}
	case EventControlled:
		switch s {
		case Ready, Closing:
			return Blocked, true
		case Live:
			return Lowering, true
		}
	case EventEnd:
		switch s {
		case Ready, Closing:
			return Blocked, true
		case Live:
			if grounded {
				return Blocked, true
			}
			return Lowering, true
		}
	case EventSessionEnd:
		switch s {
		case Ready, Closing:
			return Blocked, true
		case Live, Lowering:
			if grounded {
				return Blocked, true
			}
			return Tripped, true
		}
	case EventPermissiveLost:
		if s == Ready || s == Closing {
			return Blocked, true
		}
	case EventReset:
		if s == Tripped || s == Fault {
			return Blocked, true
		}
	case EventPermissives:
		if s == Blocked {
			return Ready, true
		}
	case EventStart:
		if s == Ready {
			return Closing, true
		}
	case EventClosed:
		if s == Closing {
			return Live, true
		}
	}
	return s, false
}
