package benchboard

import (
	"slices"
	"testing"

	"downhaul/interlock"
	"downhaul/interlock/pad"
)

func TestInputOrderIsTheInterlocksOwn(t *testing.T) {
	for i, name := range inputOrder()[:interlock.LineCount] {
		if interlock.Line(i).String() != name {
			t.Errorf("bit %d is %q, the interlock's line %v", i, name, interlock.Line(i))
		}
	}
	for _, name := range append(inputOrder(), "relay", "heartbeat", "buzzer", "lamp") {
		if !slices.Contains(pad.LineNames(), name) {
			t.Errorf("%s is no line of the pad file", name)
		}
	}
}
