package craftmodel_test

import (
	"fmt"
	"time"

	"downhaul/interlock/model/craftmodel"
)

// The modelled craft is armed, climbs to 3 m and is asked what it truly does.
func ExampleCraft() {
	scenario, err := craftmodel.ParseScenario("hover.txt", "at 1 s arm\nat 3 s climb to 3 m\nat 20 s end\n")
	if err != nil {
		fmt.Println(err)
		return
	}
	craft, err := craftmodel.New(scenario.Configure(craftmodel.EightTwo()))
	if err != nil {
		fmt.Println(err)
		return
	}
	craft.SetPower(true)
	craft.Advance(scenario.End - time.Second)
	fmt.Printf("%.0f m up, rotors turn: %v\n", craft.Truth().Height, craft.Truth().HighestRPM > 0)
	// Output: 3 m up, rotors turn: true
}
