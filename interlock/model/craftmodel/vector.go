package craftmodel

import "math"

// vec is a vector; world vectors are north, east, down in metres, body
// vectors forward, right, down.
type vec struct{ x, y, z float64 }

func (a vec) add(b vec) vec           { return vec{a.x + b.x, a.y + b.y, a.z + b.z} }
func (a vec) sub(b vec) vec           { return vec{a.x - b.x, a.y - b.y, a.z - b.z} }
func (a vec) scale(k float64) vec     { return vec{a.x * k, a.y * k, a.z * k} }
func (a vec) dot(b vec) float64       { return a.x*b.x + a.y*b.y + a.z*b.z }
func (a vec) length() float64         { return math.Sqrt(a.dot(a)) }
func (a vec) horizontal() float64     { return math.Sqrt(a.x*a.x + a.y*a.y) }
func (a vec) cross(b vec) vec         { return vec{a.y*b.z - a.z*b.y, a.z*b.x - a.x*b.z, a.x*b.y - a.y*b.x} }
func clamp(v, lo, hi float64) float64 { return math.Min(math.Max(v, lo), hi) }

// quat turns body vectors into world vectors; w is the real part.
type quat struct{ w, x, y, z float64 }

func (q quat) times(r quat) quat {
	return quat{
		q.w*r.w - q.x*r.x - q.y*r.y - q.z*r.z,
		q.w*r.x + q.x*r.w + q.y*r.z - q.z*r.y,
		q.w*r.y - q.x*r.z + q.y*r.w + q.z*r.x,
		q.w*r.z + q.x*r.y - q.y*r.x + q.z*r.w,
	}
}

func (q quat) inverse() quat { return quat{q.w, -q.x, -q.y, -q.z} }

func (q quat) normal() quat {
	k := 1 / math.Sqrt(q.w*q.w+q.x*q.x+q.y*q.y+q.z*q.z)
	return quat{q.w * k, q.x * k, q.y * k, q.z * k}
}

// turn takes a body vector into the world.
func (q quat) turn(v vec) vec {
	u := vec{q.x, q.y, q.z}
	t := u.cross(v).scale(2)
	return v.add(t.scale(q.w)).add(u.cross(t))
}

// fromAngles makes the attitude of roll, pitch and yaw in radians, turned in
// the order yaw, pitch, roll (the order of the ATTITUDE message).
func fromAngles(roll, pitch, yaw float64) quat {
	sr, cr := math.Sincos(roll / 2)
	sp, cp := math.Sincos(pitch / 2)
	sy, cy := math.Sincos(yaw / 2)
	return quat{
		cr*cp*cy + sr*sp*sy,
		sr*cp*cy - cr*sp*sy,
		cr*sp*cy + sr*cp*sy,
		cr*cp*sy - sr*sp*cy,
	}
}

// angles is the inverse of fromAngles.
func (q quat) angles() (roll, pitch, yaw float64) {
	roll = math.Atan2(2*(q.w*q.x+q.y*q.z), 1-2*(q.x*q.x+q.y*q.y))
	pitch = math.Asin(clamp(2*(q.w*q.y-q.z*q.x), -1, 1))
	yaw = math.Atan2(2*(q.w*q.z+q.x*q.y), 1-2*(q.y*q.y+q.z*q.z))
	return roll, pitch, yaw
}

// tilt is the angle between the craft's mast and the vertical, in radians.
func (q quat) tilt() float64 { return math.Acos(clamp(1-2*(q.x*q.x+q.y*q.y), -1, 1)) }
