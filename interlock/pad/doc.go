// Package pad reads the pad file, which says what stands at this pad: the craft
// that is heard, the links, the sensors with their calibration, the pins, and
// how the relay reaches the rotors. It also reads the test card.
//
// It promises: a file with any fault gives no pad, and every fault with its
// line; a pad that may close the relay has at least a telemetry link, the
// relay, its heartbeat, a reset and a start button; a device that such a pad
// lacks is named with a reason. It opens no device and no file, and keeps no
// default where a wrong guess could hide a hazard.
package pad
