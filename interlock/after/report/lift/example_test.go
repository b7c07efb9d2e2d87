package lift_test

import (
	"fmt"

	"downhaul/interlock/after/report/lift"
)

// A change of the craft is asked before anything is bought.
func ExampleParseWhatIf() {
	_, err := lift.ParseWhatIf("motors=10, mass=-15lb")
	fmt.Println(err)
	_, err = lift.ParseWhatIf("motors=ten")
	fmt.Println(err)
	// Output:
	// <nil>
	// what if "motors=ten": takes a whole number from 3 to 32 (got "ten")
}
