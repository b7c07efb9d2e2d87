package rules

import (
	"strings"
	"time"
)

// Channel is one quantity over time. All values are in the unit of its Kind.
type Channel struct {
	ID   ChannelID
	Name string
	Kind Kind
	// Low and High bound what is plausible, both included. A value outside is
	// Missing with cause Implausible: it is a sensor's fault, not a reading.
	Low, High float64
	// Period is the expected time between samples.
	Period time.Duration
	// Stale is the default age at which the channel counts as missing.
	Stale time.Duration
	// FrozenAfter is the count of fresh samples with the same bits after which
	// the channel counts as frozen; 0 means it is not watched for that.
	FrozenAfter int
	// Derived reports whether the value is worked out here from other channels.
	Derived bool
	// Says is the channel in plain words, Message what of the open standard tells it.
	Says, Message string
}

// Origin states whose word a channel is.
type Origin uint8

// The origins.
const (
	NotFed    Origin = iota // nothing on this pad feeds it
	OwnSensor               // a sensor of the pad's own
	CraftSays               // what the craft says of itself
)

// String is the origin in the words of screens and reports.
func (o Origin) String() string {
	switch o {
	case OwnSensor:
		return "own sensor"
	case CraftSays:
		return "what the craft says of itself"
	}
	return "not fed"
}

// Catalogue is every channel in order of ID. The slice is the caller's own.
func Catalogue() []Channel {
	return append([]Channel(nil), catalogue[1:]...)
}

// Lookup finds a channel by its full name.
func Lookup(name string) (Channel, bool) {
	for _, c := range catalogue[1:] {
		if c.Name == name {
			return c, true
		}
	}
	return Channel{}, false
}

// Channel is the catalogue's row for the ID; the zero row for NoChannel and
// for anything past the end.
func (id ChannelID) Channel() Channel {
	if id >= ChannelCount {
		return Channel{}
	}
	return catalogue[id]
}

// String is the full name of the channel, empty for NoChannel.
func (id ChannelID) String() string { return id.Channel().Name }

// OfWind reports whether the channel is a speed of the wind, measured or worked out.
func (id ChannelID) OfWind() bool {
	return id.Channel().Kind == Speed && strings.HasPrefix(id.String(), "wind.")
}

// Plausible reports whether v lies in the range of the channel; false for NaN and
// for an ID past the end.
func (id ChannelID) Plausible(v float64) bool {
	if id >= ChannelCount {
		return false
	}
	c := &catalogue[id]
	return v >= c.Low && v <= c.High
}

// Stale is the channel's default staleness; 0 for an ID past the end.
func (id ChannelID) Stale() time.Duration {
	if id >= ChannelCount {
		return 0
	}
	return catalogue[id].Stale
}
