package rules_test

import (
	"fmt"

	"downhaul/rules"
)

// An envelope with a fault is refused whole; each fault names its line and the mend.
func ExampleReadEnvelope() {
	_, faults := rules.ReadEnvelope("envelope.toml", []byte(`version = 1
title   = "hover at ballast 3"
[[rule]]
name  = "ceiling"
watch = "craft.height"
above = "22 mph"
stop  = "immediate"
`))
	for _, f := range faults {
		fmt.Println("line", f.Line)
		fmt.Println(f.Wrong)
		fmt.Println(f.Mend)
	}
	// Output:
	// line 6
	// mph is a unit of speed, and this takes length
	// write a number and one of the units m, cm, mm, ft or in
}

// A quantity keeps the unit in which it was written, and its value in SI.
func ExampleParseQuantity() {
	q, err := rules.ParseQuantity("22 ft", rules.Length)
	fmt.Printf("%.4f m, written as %s; %v\n", q.SI, q.Text, err)
	// Output: 6.7056 m, written as 22 ft; <nil>
}

// One rule is asked where a value stands.
func ExampleRule_Side() {
	env, faults := rules.ReadEnvelope("envelope.toml", []byte(`version = 1
title   = "hover"
[[rule]]
name    = "tether overload"
watch   = "tether.tension"
above   = "1800 N"
caution = "1400 N"
stop    = "immediate"
`))
	if len(faults) > 0 {
		fmt.Println(faults)
		return
	}
	for _, newton := range []float64{1000, 1500, 1800, 1801} {
		fmt.Println(newton, "N:", env.Rules[0].Side(newton))
	}
	// Output:
	// 1000 N: inside
	// 1500 N: in caution
	// 1800 N: in the deadband
	// 1801 N: beyond
}
