package telemetry

// BATTERY_STATUS (MAVLink common message set): its message id, where its field
// "id" lies on the wire, and the batteries that the field table reads.
const (
	idBatteryStatus = 147
	batteryAt       = 32
	batteriesRead   = 4
)

// UnreadBattery says whether a frame tells of a battery that no channel is fed
// from, and of which: there are channels for numbers 0 to 3.
func UnreadBattery(f *Frame) (number uint8, unread bool) {
	if f.ID != idBatteryStatus || len(f.Payload) <= batteryAt {
		return 0, false // zeros at the end are not sent: a short one is of battery 0
	}
	number = f.Payload[batteryAt]
	return number, number >= batteriesRead
}
