package standtable_test

import (
	"fmt"

	"downhaul/interlock/records/standtable"
)

// A row that lifts more than momentum theory allows at that power is refused: the lever
// or the unit is wrong.
func ExampleJudge() {
	table, faults := standtable.Read("motor.csv", []byte(`# diameter = 15 in
# air = 15 °C, 1013.25 hPa
# doubt = 4 %
output (%),speed (rpm),thrust (gf),voltage (V),current (A)
30,2500,2000,22.4,5
50,3500,9000,22.0,10
70,4500,6500,21.6,30
`))
	if len(faults) > 0 {
		fmt.Println(faults)
		return
	}
	j := standtable.Judge(table)
	fmt.Println("refused:", j.Refused(), j.Has(standtable.BeatsTheory))
	// Output: refused: true true
}
