package interlock_test

import (
	"fmt"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/derived"
	"downhaul/rules"
)

// The core in duty watch: a value past its limit for the time that the rule asks for is a
// demand. Nothing here reads a clock; time is an argument.
func ExampleEngine_Step() {
	env, faults := rules.ReadEnvelope("envelope.toml", []byte(`version = 1
title   = "hover"
[[rule]]
name    = "tether overload"
watch   = "tether.tension"
above   = "1800 N"
lasting = "40 ms"
stop    = "immediate"
`))
	if len(faults) > 0 {
		fmt.Println(faults)
		return
	}
	site := interlock.DefaultSite()
	site.Duty = interlock.Watch
	site.Derived = derived.Config{}
	engine, err := interlock.New(env, site)
	if err != nil {
		fmt.Println(err)
		return
	}
	for at := time.Duration(0); at <= 100*time.Millisecond; at += 10 * time.Millisecond {
		newton := 1200.0
		if at >= 50*time.Millisecond {
			newton = 1900 + at.Seconds()
		}
		effects := engine.Step(at, &interlock.Input{Kind: interlock.SampleInput,
			Sample: interlock.Sample{Channel: rules.Tension, Value: newton, Quality: rules.Good}})
		for _, f := range effects {
			if f.Kind == interlock.TripEffect {
				fmt.Println(at, interlock.FirstCause(env, f))
			}
		}
	}
	// Output: 90ms tether overload past its limit: 1900 N, limit 1800 N
}
