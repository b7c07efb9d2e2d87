// Package lift answers one question after a day's flying: is the next ballast
// step safe to try?
//
// It reads steady hovers, pulls against the tether and full-output attempts
// that never left the ground out of recorded series, fits thrust against what
// the motors were given (output × pack voltage, or rotor speed), air density
// and the power it cost, fits the pack's sag, and gives for each next step the
// output, current, sag and reserve to expect, each with a 95 % interval, and one
// of three verdicts: go, not yet, no.
//
// It promises: every criterion is a named number; one hover is one point,
// however many samples it holds, and the degrees of freedom are told; an
// interval of few hovers is as wide as Student's t says; the reserve is that at
// the voltage the pack has under the current that full output draws; what the
// data cannot carry is refused, with the flight that would settle it. The same
// input gives the same forecast, digit for digit.
//
// It never does: read a file, a clock or a device; promise lift at a current
// that the supply was not seen to carry; speak of a person aboard. Go means the
// next uncrewed step only.
package lift
