package emulated

import "time"

// hx711 is that converter on two lines of the chip: its data line falls when a
// conversion waits, each rise of the clock brings the next of 24 bits, the highest
// first, and one to three more choose the next conversion's input and gain (linux,
// drivers/iio/adc/hx711.c, facts only). It makes ten conversions a second.
//
// Nothing stretches this clock: a bit that comes late is read wrong, which cannot be
// seen from here.
type hx711 struct {
	converter
	data, clock int
	set         func(pin int, high bool)
	pulses      int
	last        time.Time // the last pulse
	word        int32
	next        *time.Timer
}

const hx711Period = 100 * time.Millisecond

func (c *hx711) begin() { c.with(func() { c.next = time.AfterFunc(hx711Period, c.ready) }) }

// ready has a conversion wait to be read, where the last one was read or was left in
// the middle.
func (c *hx711) ready() {
	c.with(func() {
		c.next.Reset(hx711Period)
		rest := hx711Period
		if c.pulses <= 24 {
			rest *= 5
		}
		switch {
		case c.stands || c.absent:
			c.set(c.data, true)
		case time.Since(c.last) >= rest:
			c.pulses, c.word = 0, c.conversion()
			c.set(c.data, false)
		}
	})
}

// changed takes a change of a pin; it is called in order by one goroutine.
func (c *hx711) changed(pin int, high bool) {
	if pin != c.clock || !high {
		return
	}
	c.with(func() {
		c.pulses++
		c.last = time.Now()
		c.set(c.data, c.pulses > 24 || c.word>>(24-c.pulses)&1 == 1)
	})
}
