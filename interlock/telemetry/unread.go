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

// Unread gathers the batteries of one craft that no channel is fed from.
type Unread [256]bool

// Hear takes a frame of the craft.
func (u *Unread) Hear(f *Frame) {
	if number, unread := UnreadBattery(f); unread {
		u[number] = true
	}
}

// Numbers are those of the batteries heard so far, rising; never nil.
func (u *Unread) Numbers() []int {
	all := []int{}
	for number, unread := range u {
		if unread {
			all = append(all, number)
		}
	}
	return all
}
