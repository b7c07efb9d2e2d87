package emulated

import "time"

// The NAU7802 as its drivers know it (linux, drivers/iio/adc/nau7802.c, facts only): its
// address, the control register's bits, and conversions a second by their code.
const (
	nauAddress = 0x2A

	nauControl, nauSpeed, nauResult = 0x00, 0x02, 0x12

	nauReset, nauDigital, nauAnalogue, nauPowered, nauConvert, nauReady = 1, 2, 4, 8, 16, 32
)

var nauRates = [8]int{10, 20, 40, 80, 80, 80, 80, 320}

// nauPart is that part on a twoWire.
type nauPart struct {
	converter
	registers [0x20]byte
	at        byte // the register that is written or read next
	first     bool // the next byte names a register
	since     time.Time
	taken     int64 // conversions read since then
	result    [3]byte
	low       bool // the supply is enough for the bus alone: no register keeps anything
}

// browns has the supply fail, for an instant or until it is mended: every register is as at
// power-up.
func (p *nauPart) browns(low bool) { p.with(func() { p.registers, p.low = [0x20]byte{}, low }) }

func (p *nauPart) addressed(b byte) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.first = true
	return b>>1 == nauAddress && !p.absent
}

func (p *nauPart) takes(b byte) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.first {
		p.at, p.first = b%byte(len(p.registers)), false
		return true
	}
	if p.low {
		return true
	}
	p.registers[p.at] = b
	if p.at == nauControl {
		if b&nauReset != 0 {
			p.registers = [0x20]byte{nauReset}
		}
		p.since, p.taken = time.Now(), 0
	}
	p.at = (p.at + 1) % byte(len(p.registers))
	return true
}

// made is how many conversions were made since they began.
func (p *nauPart) made() int64 {
	const running = nauDigital | nauAnalogue | nauConvert
	if p.registers[nauControl]&running != running || p.stands {
		return p.taken
	}
	return int64(time.Since(p.since).Seconds() * float64(nauRates[p.registers[nauSpeed]>>4&7]))
}

func (p *nauPart) gives() byte {
	p.mu.Lock()
	defer p.mu.Unlock()
	at := p.at
	p.at = (p.at + 1) % byte(len(p.registers))
	switch {
	case at == nauControl:
		v := p.registers[at] &^ (nauPowered | nauReady)
		if v&nauDigital != 0 {
			v |= nauPowered
		}
		if p.made() > p.taken {
			v |= nauReady
		}
		return v
	case at >= nauResult && at < nauResult+3:
		if at == nauResult { // the three bytes of one conversion
			p.taken = p.made()
			v := p.conversion()
			p.result = [3]byte{byte(v >> 16), byte(v >> 8), byte(v)}
		}
		return p.result[at-nauResult]
	}
	return p.registers[at]
}
