package pad

import (
	"reflect"
	"strings"
	"testing"
	"time"

	"downhaul/hw"
	"downhaul/interlock"
)

// What the pad file says of its pins must reach the board: order, chips, the
// resistor that is the opposite of the closed contact, and a debounce only
// where it delays nothing that takes power off.
func TestBoardOnPins(t *testing.T) {
	text := strings.Replace(string(example(t, "guard.toml")), `"gpiochip0:21"`, `"gpiochip1:CUPS, closed is low"`, 1)
	p := mustRead(t, []byte(text))
	now := func() time.Duration { return 5 }
	c := p.GPIOBoard(now)
	at := func(line int) hw.Pin { return hw.Pin{Chip: "gpiochip0", Line: line} }
	if c.Relay != at(17) || c.Heartbeat != at(27) || c.Buzzer != at(22) || c.Lamp != at(23) || c.Now() != 5 {
		t.Errorf("outputs %v, %v, %v, %v", c.Relay, c.Heartbeat, c.Buzzer, c.Lamp)
	}
	const ms = time.Millisecond
	want := []hw.GPIOInput{
		{Name: "estop_a", Pin: at(5), Bias: hw.PullDown, Every: true}, {Name: "estop_b", Pin: at(6), Bias: hw.PullDown, Every: true},
		{Name: "gate", Pin: at(13), Bias: hw.PullUp}, {Name: "hold", Bias: hw.PullDown},
		{Name: "reset", Pin: at(19), Bias: hw.PullDown, Debounce: 20 * ms}, {Name: "start", Pin: at(26), Bias: hw.PullUp, Debounce: 20 * ms},
		{Name: "end", Pin: at(16), Bias: hw.PullDown}, {Name: "readback", Pin: at(20), Bias: hw.PullUp},
	}
	if !reflect.DeepEqual(c.Inputs, want) {
		t.Errorf("inputs\n got %+v\nwant %+v", c.Inputs, want)
	}
	if want := (hw.GPIOInput{Name: "anemometer", Pin: hw.Pin{Chip: "gpiochip1", Name: "CUPS"}, Bias: hw.PullUp}); c.Anemometer != want {
		t.Errorf("anemometer %+v", c.Anemometer)
	}
	if len(c.Inputs) != int(interlock.LineCount) {
		t.Errorf("%d inputs: the edges of the anemometer must come as line %d", len(c.Inputs), interlock.LineCount)
	}
	if want := (hw.LoadCellConfig{Fitted: true, NAU7802: 1, Rate: 80}); c.LoadCell != want {
		t.Errorf("load cell %+v", c.LoadCell)
	}
	text = strings.Replace(text, "nau7802 on i2c-1", "iio:device0/in_voltage0_raw", 1)
	if got := mustRead(t, []byte(text)).GPIOBoard(now).LoadCell.Raw; got != "/sys/bus/iio/devices/iio:device0/in_voltage0_raw" {
		t.Errorf("channel %q", got)
	}
}
