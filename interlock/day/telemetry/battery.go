package telemetry

// BATTERY_STATUS (MAVLink common message set): its message id, where its field
// "id", "battery_function" and "current_consumed" lie on the wire, and the last function that may
// drive motors (unknown, all, propulsion); and SYS_STATUS, the other message with a current.
const (
	idSysStatus     = 1
	idBatteryStatus = 147
	batteryAt       = 32
	functionAt      = 33
	propulsion      = 2
	consumedAt      = 0
)

// TellsCurrent reports whether a frame has a current that rolls over.
func TellsCurrent(f *Frame) bool { return f.ID == idSysStatus || f.ID == idBatteryStatus }

// ChargeDrawn returns the charge in A·s that BATTERY_STATUS says was drawn from a
// battery so far; ok is false for other messages and where it is not known.
func ChargeDrawn(f *Frame) (battery int, charge float64, ok bool) {
	if f.ID != idBatteryStatus {
		return 0, 0, false
	}
	var b [batteryAt + 1]byte // zeros at the end of a payload are not sent
	copy(b[:], f.Payload)
	mAh := int32(u32At(b[:], consumedAt))
	return int(b[batteryAt]), float64(mAh) * 18 / 5, mAh >= 0
}
