package pad

import (
	"regexp"
	"slices"
	"strconv"

	"downhaul/rules/document"
)

// Where Linux shows the channels of converters that it has a driver for.
const channelsFolder = "/sys/bus/iio/devices/"

var (
	partText    = regexp.MustCompile(`^nau7802 on i2c-([0-9]{1,3})$`)
	channelText = regexp.MustCompile(`^iio:device[0-9]{1,3}/in_[a-z0-9_-]{1,40}_raw$`)
)

// partRates are the rates of a NAU7802 in Hz.
var partRates = []float64{10, 20, 40, 80, 320}

// device reads which converter the load cell hangs on. It comes behind the
// rate.
func (r *reading) device(t *document.Table) {
	c := &r.LoadCell
	text, ok := t.Note("device")
	switch {
	case r.Board.Kind == Virtual && t.Has("device"):
		t.Fault("device", "a virtual board models its converter", t.Got("device"), "take it out")
		return
	case r.Board.Kind == GPIO && !t.Has("device"):
		t.Missing("device", "missing: the board has a converter of its own", `write device = "nau7802 on i2c-1", or the channel's file: device = "iio:device0/in_voltage0_raw"`)
		return
	case !ok:
		return
	}
	if channelText.MatchString(text) {
		c.Channel = channelsFolder + text
		return
	}
	m := partText.FindStringSubmatch(text)
	if m == nil {
		t.Fault("device", "is no converter", document.Quote(text), `write the part and its bus: "nau7802 on i2c-1", or the channel's file under /sys/bus/iio/devices: "iio:device0/in_voltage0_raw"`)
		return
	}
	c.Bus, _ = strconv.Atoi(m[1]) // the pattern allows nothing else
	t.FaultIf(!slices.Contains(partRates, c.Rate), "rate", "the NAU7802 has 10, 20, 40, 80 and 320 Hz", "write one of them")
}
