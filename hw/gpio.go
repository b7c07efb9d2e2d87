package hw

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// Pin is one line of a GPIO chip of this computer. The zero value is no line:
// not fitted.
type Pin struct {
	// Chip is the character device under /dev, such as gpiochip0.
	Chip string
	// Line is the line's number on the chip, from 0. It has nothing to do with
	// the numbers on a header. It is not used where Name is set.
	Line int
	// Name is the line's name as the kernel has it, such as GPIO17.
	Name string
}

// Fitted reports whether there is such a line.
func (p Pin) Fitted() bool { return p.Chip != "" }

// String is the pin as a pad file writes it.
func (p Pin) String() string {
	switch {
	case !p.Fitted():
		return "no line"
	case p.Name != "":
		return p.Chip + ":" + p.Name
	}
	return p.Chip + ":" + strconv.Itoa(p.Line)
}

var pinText = regexp.MustCompile(`^(gpiochip[0-9]{1,3}):(?:([0-9]{1,3})|([A-Za-z_][A-Za-z0-9_.+-]{0,30}))$`)

// ParsePin reads "gpiochip0:17" or, by the kernel's name of the line,
// "gpiochip0:GPIO17".
func ParsePin(text string) (Pin, error) {
	m := pinText.FindStringSubmatch(text)
	if m == nil {
		return Pin{}, fmt.Errorf("%q is no pin; write chip and line, by number as in gpiochip0:17 or by name as in gpiochip0:GPIO17", clip(text))
	}
	p := Pin{Chip: m[1], Name: m[3]}
	if m[2] != "" {
		p.Line, _ = strconv.Atoi(m[2]) // the pattern allows nothing else
	}
	return p, nil
}

// Bias is the resistor in the chip that gives a line its level while nothing
// drives it. A chip that has none leaves the line as it is without a word, so
// that the wiring notes ask for a resistor outside as well.
type Bias uint8

// The biases.
const (
	NoBias Bias = iota
	PullUp
	PullDown
)

// GPIOInput is one input line.
type GPIOInput struct {
	// Name is what the line is called in errors.
	Name string
	Pin  Pin
	Bias Bias
	// Debounce is how long the kernel wants a new level to stand before it
	// shows, 0 to 1 s; 0 shows every level at once. It delays both directions,
	// so it is only for lines whose being late is harmless, as a button that
	// readies or starts. A contact whose opening takes power off has none.
	Debounce time.Duration
	// Every has every edge of the line counted: a contact that opens for less time than
	// passes between two readings is seen. A chip that reports no edges is refused for it;
	// other lines of such a chip are only read.
	Every bool
}

// GPIOConfig sets up a board on the lines of this computer. Levels are
// electrical: what a level means is not known here.
type GPIOConfig struct {
	// Relay and Heartbeat must be fitted. Every output is on when its line is
	// high, and low from the moment it is requested.
	Relay, Heartbeat, Buzzer, Lamp Pin
	// Inputs are the lines of Levels in that order, at most 32. One that is not
	// fitted reads low.
	Inputs []GPIOInput
	// Anemometer gives Edges. It has no debounce: that would move the times of the pulses.
	Anemometer GPIOInput
	// Consumer is the name under which the kernel shows who holds the lines;
	// empty takes downhauld. At most 31 bytes are kept.
	Consumer string
	// Now is the monotonic time since the board was opened. It must not be nil.
	Now func() time.Duration
	// LoadCell is the load cell's converter; the zero value is none.
	LoadCell LoadCellConfig
}

// EdgeRoom is how many edges the kernel keeps for a reader that is held up:
// the most that it can. At 100 edges a second that is 10 s; the default of 16
// would be full in a sixth of one.
const EdgeRoom = 1024

const mostDebounce = time.Second

// check names everything that is wrong with the config.
func (c *GPIOConfig) check() error {
	errs := []error{c.LoadCell.check()}
	bad := func(is bool, format string, args ...any) {
		if is {
			errs = append(errs, fmt.Errorf(format, args...))
		}
	}
	bad(c.Now == nil, "no clock; set Now to the monotonic time since opening")
	bad(len(c.Inputs) > MostInputs, "inputs: at most %d lines (got %d)", MostInputs, len(c.Inputs))
	bad(!c.Relay.Fitted(), "the relay has no line; a board without one guards nothing")
	bad(!c.Heartbeat.Fitted(), "the heartbeat has no line; without its edges the external watchdog never holds")
	for _, in := range append(c.Inputs[:len(c.Inputs):len(c.Inputs)], c.Anemometer) {
		bad(in.Debounce < 0 || in.Debounce > mostDebounce, "%s: the debounce time must be from 0 to %v (got %v)", in.Name, mostDebounce, in.Debounce)
	}
	bad(c.Anemometer.Debounce != 0, "%s: an anemometer has no debounce (got %v); its bounce is left out where its pulses are counted", c.Anemometer.Name, c.Anemometer.Debounce)
	return errors.Join(errs...)
}

// clip keeps a name that somebody sent from filling a message.
func clip(s string) string {
	const most = 40
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "..."
}
