package telemetry

import (
	"testing"

	"downhaul/rules"
)

// A row names an element that the message has: the first that it has not is
// refused when the table is made.
func TestElementsEndWithTheArray(t *testing.T) {
	l, err := layoutOf(batteryStatus)
	if err != nil {
		t.Fatal(err)
	}
	p, ok := l.find("voltages")
	if !ok || p.count != 10 { // cells 1 to 10, by the open standard
		t.Fatalf("%+v", p)
	}
	for element, want := range map[int]bool{0: true, 9: true, 10: false, 11: false} {
		_, err := newOp(&l, row{channel: rules.SupplyVoltage, field: "voltages", element: element})
		if (err == nil) != want {
			t.Errorf("element %d: %v", element, err)
		}
	}
	if _, err := newOp(&l, row{channel: rules.SupplyVoltage, field: "current_battery", element: 1}); err == nil {
		t.Error("a second element of a plain field was taken")
	}
}
