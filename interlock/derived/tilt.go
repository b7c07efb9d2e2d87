package derived

import (
	"math"
	"time"

	"downhaul/rules"
)

// tilt is the angle between the craft's mast and the vertical: cos tilt =
// cos roll · cos pitch, the last element of the rotation matrix of the
// yaw-pitch-roll order that ATTITUDE uses. Worked out as
// atan2(√(sin²r + cos²r·sin²p), cos r · cos p), because an arccosine loses half
// its digits near upright.
//
// The trigger is pitch, the later of the two in ATTITUDE.
type tilt struct{ untimed }

func (tilt) Trigger() rules.ChannelID { return rules.Pitch }
func (tilt) Output() rules.ChannelID  { return rules.Tilt }

func (tilt) Sample(at time.Duration, t *Table) (Result, bool) {
	pitch, roll := t[rules.Pitch], fresh(t, rules.Roll, at)
	return publish(tiltAngle(roll.Value, pitch.Value), pitch, roll), true
}

// rightAngle is a little less than π/2, tiltSlack far more than all roundings
// of tiltAngle and of Bound come to (each some 1e-15 rad).
const (
	rightAngle = 1.57
	tiltSlack  = 1e-9
)

// Bound: two turns come to no more than their sum (the triangle inequality on
// the sphere), and where neither is past a right angle to no less than the
// greater of them, because cos roll · cos pitch is no more than either cosine.
func (tilt) Bound(at time.Duration, t *Table) (low, high float64, from [2]float64, ok bool) {
	pitch, roll := &t[rules.Pitch], &t[rules.Roll]
	if pitch.Quality != rules.Good || roll.Quality != rules.Good || at-roll.At > rules.Roll.Stale() {
		return 0, 0, from, false
	}
	r, p := math.Abs(roll.Value), math.Abs(pitch.Value)
	from = [2]float64{roll.Value, pitch.Value}
	return max(r, p) - tiltSlack, r + p + tiltSlack, from, r <= rightAngle && p <= rightAngle
}

func (tilt) Late(from [2]float64) float64 { return publish(tiltAngle(from[0], from[1])).Value }

func tiltAngle(roll, pitch float64) float64 {
	sr, cr := Sin(roll), Cos(roll)
	sp, cp := Sin(pitch), Cos(pitch)
	across := float64(cr * sp)
	s := math.Sqrt(float64(sr*sr) + float64(across*across))
	return Atan2(s, float64(cr*cp))
}

func (t tilt) Clone() Calculator { return t }

func (tilt) AppendState(dst []byte, _ time.Duration) []byte { return dst }
