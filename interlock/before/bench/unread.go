package bench

import (
	"fmt"
	"strings"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry"
	"downhaul/interlock/records/recording"
)

// unreadBatteries returns which batteries the craft tells of, in its first frames,
// that no channel is fed from, so that nobody takes them for watched; a battery
// that is told of only later is not seen. What cannot be read is told elsewhere.
func unreadBatteries(parts []string, craft intake.Craft, how ...recording.Option) []string {
	seen, err := look(parts, craft, how...)
	if err != nil {
		return nil
	}
	return sayUnread(&seen.unread)
}

func sayUnread(unread *Unread) []string {
	if numbers := unread.Numbers(); len(numbers) > 0 {
		return []string{SayUnread(numbers)}
	}
	return nil
}

// SayUnread reports whether those batteries are heard and not read; there must be one.
func SayUnread(numbers []int) string {
	var all []string
	for _, n := range numbers {
		all = append(all, fmt.Sprint(n))
	}
	what, it := "battery "+all[0]+" is", "it"
	if len(all) > 1 {
		what, it = "batteries "+strings.Join(all, ", ")+" are", "them"
	}
	return what + " heard (BATTERY_STATUS) and not read: only numbers 0 to 3 are, as pack and packs 2 to 4, so no limit sees " + it + "; have the craft number its packs from 0"
}

// Unread gathers the batteries of one craft that no channel is fed from.
type Unread [256]bool

// Where the field "id" of BATTERY_STATUS lies on the wire, by the open dialect, and the
// batteries that channels are fed from, 0 to 3.
const (
	batteryAt     = 32
	batteriesRead = 4
)

// Hear takes a frame of the craft.
func (u *Unread) Hear(f *telemetry.Frame) {
	// Zeros at the end are not sent: a short one is of battery 0.
	if f.ID == idBatteryStatus && len(f.Payload) > batteryAt && f.Payload[batteryAt] >= batteriesRead {
		u[f.Payload[batteryAt]] = true
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
