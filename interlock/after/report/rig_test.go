package report

import (
	"strings"
	"time"

	"downhaul/interlock/before/bench"
	"downhaul/interlock/limits"
	"downhaul/rules"
)

func send(ch *channels, at time.Duration, id rules.ChannelID, v float64) {
	ch.take([]bench.Told{{ID: id, Reading: limits.Reading{At: at, Value: v, Quality: rules.Good}}})
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
