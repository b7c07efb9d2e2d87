package derived

import (
	"math"
	"time"

	"downhaul/interlock/limits"
	"downhaul/rules"
)

// tilt is the angle between the craft's mast and the vertical: cos tilt =
// cos roll · cos pitch, the last element of the rotation matrix of the
// yaw-pitch-roll order that ATTITUDE uses. Worked out as
// atan2(√(sin²r + cos²r·sin²p), cos r · cos p), because an arccosine loses half
// its digits near upright.
//
// The trigger is pitch, the later of the two in ATTITUDE.
func tilt(at time.Duration, t *limits.Table) limits.Result {
	pitch, roll := t[rules.Pitch], fresh(t, rules.Roll, at)
	return publish(tiltAngle(roll.Value, pitch.Value), pitch, roll)
}

func tiltAngle(roll, pitch float64) float64 {
	sr, cr := sinCos(roll)
	sp, cp := sinCos(pitch)
	across := float64(cr * sp)
	s := math.Sqrt(float64(sr*sr) + float64(across*across))
	return atan2(s, float64(cr*cp))
}
