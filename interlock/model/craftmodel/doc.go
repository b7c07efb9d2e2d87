// Package craftmodel is a simulated craft: a big tethered multirotor, without
// a crew, that flies ballast steps and tells of itself over MAVLink. The demo,
// the tests and the forecast checks use it where a real craft would be too
// dear or too dangerous.
//
// It promises: time is an argument, so live and fast drivers see the same
// craft; the same configuration and seed give the same bytes on one
// architecture; every formula names its source; what the craft truly is can be
// asked (Truth, TrueThrust, TrueHoverOutput), so that a forecast made from the
// telemetry alone can be held against it.
//
// It is no proof of any real craft. Left out on purpose: ground effect, the
// change of thrust with inflow, rotor flapping, rope weight, the time a gust
// takes from the anemometer to the craft. It never speaks to anything but a
// loopback address, and never listens.
package craftmodel
