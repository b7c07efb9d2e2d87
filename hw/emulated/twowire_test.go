package emulated

import "sync"

// twoWire is an I²C bus on two lines of the chip, with one part on it. The lines are
// active low there: the guest drives a line to pull its wire down and makes it an input
// to let it go (open drain, turned round, because the chip's own pull is down).
//
// The chip keeps the level that the guest drove until it is told another, so a wire that
// the guest let go stays down until this end lets go too. A master waits for the clock's
// wire (clock stretching, I²C specification UM10204, 3.1.9); so no bit depends on how
// fast this end is.
type twoWire struct {
	part     *nauPart
	data     int // pins of the chip
	clock    int
	set      func(pin int, down bool)
	guest    [2]bool // data, clock: whether the guest pulls the wire down
	here     bool    // whether the part pulls data down
	phase    phase
	bits     int
	shift    byte
	acked    bool // by the master, for what it read
	settling bool // the part's answer to a byte is on the wire
}

// phase is what comes on the data wire.
type phase int

const (
	idle phase = iota
	address
	taking // bytes from the master
	giving // bytes to the master
)

// changed takes a change of a pin; it is called in order by one goroutine.
func (b *twoWire) changed(pin int, down bool) {
	switch pin {
	case b.data:
		b.guest[0] = down
		if !b.guest[1] { // the clock is up: a start or a stop
			b.bits, b.here, b.settling = 0, false, false
			b.phase = idle
			if down {
				b.phase = address
			}
		}
	case b.clock:
		b.guest[1] = down
		if down {
			b.falls()
			return
		}
		if !b.guest[0] {
			b.set(b.data, b.here)
		}
		b.rises(!b.guest[0] && !b.here)
		b.set(b.clock, false)
	}
}

// rises takes the bit on the data wire.
func (b *twoWire) rises(bit bool) {
	switch b.phase {
	case address, taking:
		if !b.settling {
			b.shift <<= 1
			if bit {
				b.shift |= 1
			}
			b.bits++
		}
	case giving:
		if b.bits == 8 {
			b.acked = !bit
		}
	}
}

// falls puts the next bit of this end on the wire.
func (b *twoWire) falls() {
	switch b.phase {
	case address, taking:
		switch {
		case b.settling:
			b.settling, b.here, b.bits = false, false, 0
			if b.phase == address {
				if b.phase = taking; b.shift&1 == 1 {
					b.phase = giving
					b.give()
				}
			}
		case b.bits == 8:
			hears := b.part.takes
			if b.phase == address {
				hears = b.part.addressed
			}
			ok := hears(b.shift)
			if !ok {
				b.phase = idle
			}
			b.settling, b.here = ok, ok
		}
	case giving:
		switch b.bits++; {
		case b.bits < 8:
			b.here = b.shift>>(7-b.bits)&1 == 0
		case b.bits == 8:
			b.here = false // the master's turn
		case b.acked:
			b.give()
		default:
			b.phase, b.here = idle, false
		}
	}
}

func (b *twoWire) give() {
	b.bits, b.shift = 0, b.part.gives()
	b.here = b.shift>>7 == 0
}

// converter is a load cell's converter as the tests see it: what it measures and
// what is wrong with it.
type converter struct {
	mu     sync.Mutex
	count  int32 // without noise
	noise  uint32
	absent bool // answers nothing
	stands bool // makes no conversion
}

// load sets the count of what hangs on the cell.
func (c *converter) load(count int32) { c.with(func() { c.count = count }) }

func (c *converter) with(do func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	do()
}

const mostCount, leastCount = 1<<23 - 1, -1 << 23 // of 24 bits in two's complement

// conversion is the next one: a few counts of noise, and none at the ends. The caller
// holds mu.
func (c *converter) conversion() int32 {
	c.noise = c.noise*1664525 + 1013904223
	return min(max(c.count+int32(c.noise>>29), leastCount), mostCount)
}
