package interlock

// What states, sounds, effects, reasons and lines are called.

// nameOf returns name i, or what stands for none.
func nameOf(names []string, i int, unknown string) string {
	if i < len(names) {
		return names[i]
	}
	return unknown
}

var stateName = [stateCount]string{"blocked", "ready", "closing", "live", "lowering", "tripped", "fault"}

// String is the name of the state in logs and screens.
func (s State) String() string {
	return nameOf(stateName[:], int(s), "unknown state")
}

var soundName = [soundCount]string{"silent", "reset accepted", "caution", "about to close", "bring it down", "tripped", "fault"}

// String is the meaning of the sound in plain words.
func (s Sound) String() string {
	return nameOf(soundName[:], int(s), "unknown sound")
}

var effectName = [effectKindCount]string{"", "relay", "heartbeat", "sound", "lamp", "state", "trip", "caution", "clear", "note", "consequence"}

var reasonText = [reasonCount]string{
	NoReason: "", ReasonPowerUp: "power-up", ReasonUnfinishedTrip: "the last session ended in a trip or without its end",
	ReasonUnfinishedFault: "the last session ended in a fault", ReasonRule: "past a limit", ReasonRuleMissing: "channel missing",
	ReasonEStop: "emergency stop", ReasonEStopOne: "emergency stop, one contact only", ReasonGate: "gate open",
	ReasonHold: "hold-to-run released", ReasonReadbackOpened: "the contactor opened by itself",
	ReasonReadbackClosed: "the contactor is closed when it must be open", ReasonReadbackNot: "the contactor did not close in time",
	ReasonPowerRemains: "POWER NOT REMOVED: use the hard-wired stop", ReasonStalled: "the guard's loop was held up",
	ReasonRelayFailed: "the relay line could not be written", ReasonPinsSilent: "the input lines are silent",
	ReasonLink: "nothing heard from the craft", ReasonRestart: "the craft restarted", ReasonClash: "two senders under one identity",
	ReasonGraceOver: "grace time ended", ReasonClimbing: "climbing while being brought down",
	ReasonHeightLost: "height lost while being brought down", ReasonDown: "brought down", ReasonEnd: "end pressed",
	ReasonSessionEnd: "the guard is ending", ReasonReset: "reset", ReasonStart: "start",
	ReasonPermissivesHold: "everything needed is in order", ReasonPermissiveLost: "something needed to start is missing",
	ReasonClosed: "chain closed and read back", ReasonNotIdle: "motor outputs are not idle",
	ReasonNotHeld: "hold-to-run is not held", ReasonNotReset: "reset needed first", ReasonNotKept: "the trip record is not on disk yet",
	ReasonCausePresent: "the cause still stands", ReasonArmed: "the craft is armed or its state is unknown",
	ReasonTurning: "the rotors may still turn", ReasonPressTooShort: "released too soon", ReasonPressTooLong: "held too long",
	ReasonStuck: "was on before it counted", ReasonNotNow: "not in this state", ReasonDuty: "duty watch never closes the relay",
	ReasonMark: "look here", ReasonDeclared: "declared", ReasonLost: "inputs were lost", ReasonDisk: "too little room on the disk",
	ReasonProof: "stop not proven at the rotors, or a proof test is due", ReasonSensor: "a sensor of the pad failed",
	ReasonStopProven: "stop proven at the rotors", ReasonSilenced: "sound silenced; nothing else changed",
	ReasonCard: "the test card asks for more, or is content", ReasonReaction: "the time until thrust is gone",
	ReasonStep: "the step in force", ReasonLeftGround: "the craft left the ground in a step on the ground",
	ReasonTieDown: "the pull of the tie-down is gone", ReasonGroundUnseen: "height or pull of the tie-down missing in a step on the ground",
	ReasonDoubt:      "in doubt",
	ReasonLedger:     "a fault of the chain or a defect stands open, or none does",
	ReasonThenSilent: "then nothing heard from the craft",
	ReasonWatchdog:   "the watchdog did not drop the chain",
	ReasonBroken:     "a part of the guard's program failed",
	ReasonPressAgain: "not everything was in order while it was held; press it again",
}

// String is the reason in plain words.
func (r Reason) String() string {
	return nameOf(reasonText[:], int(r), "unknown reason")
}

var lineName = [LineCount]string{"estop_a", "estop_b", "gate", "hold", "reset", "start", "end", "readback"}

// String is the name of the line in pad file, logs and the virtual board.
func (l Line) String() string {
	return nameOf(lineName[:], int(l), "unknown line")
}
