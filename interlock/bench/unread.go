package bench

import (
	"fmt"
	"strings"

	"downhaul/interlock/intake"
	"downhaul/interlock/recording"
	"downhaul/interlock/telemetry"
)

// lookChunks bounds a look for a craft that may not be in the recording at all.
const lookChunks = 100_000

// unreadBatteries says which batteries the craft tells of, in its first frames,
// that no channel is fed from, so that nobody takes them for watched; a battery
// that is told of only later is not seen. What can not be read is told elsewhere.
func unreadBatteries(parts []string, craft intake.Craft) []string {
	rec, err := recording.OpenParts(parts, recording.PastDamage())
	if err != nil {
		return nil
	}
	defer rec.Close()
	var scan telemetry.Stream
	var unread [256]bool
	after := 0
	for n := 0; n < lookChunks && after < lookFrames; n++ {
		c, err := rec.Next()
		if err != nil {
			break
		}
		if c.Source != intake.Telemetry {
			continue
		}
		scan.Feed(c.Bytes)
		for f, ok := scan.Next(); ok; f, ok = scan.Next() {
			if f.System != craft.System || f.Component != craft.Component {
				continue
			}
			after++
			if number, is := telemetry.UnreadBattery(&f); is {
				unread[number] = true
			}
		}
	}
	var numbers []int
	for number, is := range unread {
		if is {
			numbers = append(numbers, number)
		}
	}
	if numbers == nil {
		return nil
	}
	return []string{SayUnread(numbers)}
}

// SayUnread says that those batteries are heard and not read; there must be one.
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
