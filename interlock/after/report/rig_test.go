package report

import (
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/rules"
)

func send(ch *channels, at time.Duration, id rules.ChannelID, v float64) {
	ch.inputs(at, []interlock.Input{{Kind: interlock.SampleInput, Sample: interlock.Sample{Channel: id, Quality: rules.Good, Value: v}}})
}

func seconds10(s int) time.Duration { return time.Duration(s) * time.Second }

func contains(texts []string, part string) bool {
	for _, text := range texts {
		if strings.Contains(text, part) {
			return true
		}
	}
	return false
}
