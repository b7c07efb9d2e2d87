package rules

import "time"

// missingStop is promise 3: what a rule does when its channel is missing.
//
//   - A rule that stops nothing, or that the user set to caution only, stops
//     nothing.
//   - Height, climb, apex, attitude, tension and the link: immediate, also where
//     the rule's own stop is controlled. Without them nobody can tell whether
//     the craft is coming down, so there is nothing to control.
//   - Any other channel: as the rule says; a controlled stop with half its
//     grace, since nobody can tell how bad it already is. (A rule that is
//     immediate by itself stays so: it names no grace that could be halved.)
func missingStop(watch ChannelID, when WhenMissing, stop Stop, grace time.Duration) (Stop, time.Duration) {
	switch {
	case when == MissingCautions || stop == NoStop:
		return NoStop, 0
	case stop == Immediate || blinding(watch):
		return Immediate, 0
	}
	return Controlled, grace / 2
}

// blinding reports whether the craft cannot be brought down under control once the
// channel is lost.
func blinding(id ChannelID) bool {
	switch id {
	case HeightGlobal, HeightLocal, HeightAltitude, HeightClearance, HeightRange, AltitudeSea, Height,
		ClimbGlobal, ClimbLocal, ClimbHUD, Climb, Apex,
		Roll, Pitch, Yaw, RollRate, PitchRate, YawRate, Tilt,
		Tension, TensionRate, WinchTension,
		LinkAge, LinkLoss, LinkLag:
		return true
	}
	return false
}
