package hw

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"periph.io/x/conn/v3/i2c"
)

// The NAU7802, a 24-bit bridge converter on I²C: address, registers and bits as
// the Linux driver drivers/iio/adc/nau7802.c uses them (facts only); address
// 2Ah from a public page on the part.
const (
	nauAddress = 0x2A

	nauControl  = 0x00
	nauGain     = 0x01
	nauSpeed    = 0x02
	nauResult   = 0x12 // to 14h, most significant first, two's complement
	nauSettling = 6    // conversions that the Linux driver leaves out after a change

	nauReset     = 1 << 0
	nauDigital   = 1 << 1 // digital part powered
	nauAnalogue  = 1 << 2 // analogue part powered
	nauPowered   = 1 << 3 // powered up and ready
	nauConvert   = 1 << 4 // conversions run
	nauReady     = 1 << 5 // a conversion waits to be read
	nauOwnSupply = 1 << 7 // the bridge is fed by the part's own regulator
	nauRunning   = nauDigital | nauAnalogue | nauConvert | nauOwnSupply

	// Gain 2^7 for the millivolts of a load cell; 3.0 V for the bridge, which
	// a 3.3 V supply can regulate: code (4500 - mV)/300.
	nauGainCode   = 7
	nauSupplyCode = (4500 - 3000) / 300
	nauSpeedMask  = 7 << 4
)

// nauRates are conversions a second by their code; 0 is no code.
var nauRates = [8]float64{10, 20, 40, 80, 0, 0, 0, 320}

// nauRate is the code of a rate, -1 for one that the part has not.
func nauRate(rate float64) int {
	if rate == 0 {
		return -1
	}
	return slices.Index(nauRates[:], rate)
}

// nau7802 reads that part. Its own calibration is not used: the pad's known
// loads are the calibration, and registers at rest stay the same from one
// start to the next.
type nau7802 struct {
	dev    i2c.Dev
	rate   float64
	sleep  func(time.Duration)
	finish func() error
	// ready is false until the part is set up, and after an error.
	ready bool
}

func newNAU7802(bus i2c.Bus, rate float64, sleep func(time.Duration), finish func() error) (*nau7802, error) {
	n := &nau7802{dev: i2c.Dev{Bus: bus, Addr: nauAddress}, rate: rate, sleep: sleep, finish: finish}
	if err := n.setUp(); err != nil {
		return nil, err
	}
	return n, nil
}

func (n *nau7802) read(register byte) (byte, error) {
	var b [1]byte
	err := n.dev.Tx([]byte{register}, b[:])
	return b[0], err
}

// setUp brings the part from any state to conversions that can be used, and
// reads back what it was told: a part that forgot half of it would give counts
// of another scale.
func (n *nau7802) setUp() error {
	const gain, control = nauSupplyCode<<3 | nauGainCode, nauDigital | nauAnalogue | nauOwnSupply
	speed := byte(nauRate(n.rate)) << 4
	for _, w := range [][2]byte{{nauControl, nauReset}, {nauControl, nauDigital}} {
		if err := n.dev.Tx(w[:], nil); err != nil {
			return fmt.Errorf("NAU7802: %w; is it on this bus, powered, with both wires whole?", err)
		}
	}
	if err := n.wait(nauPowered, 100*time.Millisecond, time.Millisecond); err != nil {
		return fmt.Errorf("NAU7802 does not power up: %w", err)
	}
	for _, w := range [][2]byte{{nauControl, control}, {nauGain, gain}, {nauSpeed, speed}, {nauControl, control | nauConvert}} {
		if err := n.dev.Tx(w[:], nil); err != nil {
			return fmt.Errorf("set up NAU7802: %w", err)
		}
	}
	for _, want := range []struct{ register, mask, value byte }{{nauGain, 0xFF, gain}, {nauSpeed, nauSpeedMask, speed}} {
		got, err := n.read(want.register)
		if err != nil {
			return fmt.Errorf("set up NAU7802: %w", err)
		}
		if got&want.mask != want.value {
			return fmt.Errorf("NAU7802: register %02Xh was set to %02Xh and reads %02Xh; another part, or a bad wire", want.register, want.value, got)
		}
	}
	n.ready = true
	for range nauSettling {
		if _, err := n.next(); err != nil {
			return err
		}
	}
	return nil
}

// wait polls the control register until every bit of want is set.
func (n *nau7802) wait(want byte, most, every time.Duration) error {
	for waited := time.Duration(0); ; waited += every {
		got, err := n.read(nauControl)
		switch {
		case err != nil:
			return err
		case n.ready && got&nauRunning != nauRunning:
			return fmt.Errorf("the part was reset (control register %02Xh): look at its supply", got)
		case got&want == want:
			return nil
		case waited >= most:
			return errors.New("it does not come in time")
		}
		n.sleep(every)
	}
}

func (n *nau7802) convert() (int32, error) {
	p := time.Duration(float64(time.Second) / n.rate)
	n.sleep(p / 2) // it is not there yet; asking would only keep bus and processor busy
	if err := n.wait(nauReady, 3*p-p/2, p/8); err != nil {
		return 0, fmt.Errorf("NAU7802: wait for a conversion: %w", err)
	}
	var b [3]byte
	if err := n.dev.Tx([]byte{nauResult}, b[:]); err != nil {
		return 0, fmt.Errorf("NAU7802: read a conversion: %w", err)
	}
	return int32(uint32(b[0])<<24|uint32(b[1])<<16|uint32(b[2])<<8) >> 8, nil
}

// next waits for a conversion. After an error the part is set up anew first:
// one that lost its supply for an instant stands still until it is.
func (n *nau7802) next() (int32, error) {
	if !n.ready {
		if err := n.setUp(); err != nil {
			return 0, err
		}
	}
	v, err := n.convert()
	n.ready = err == nil
	return v, err
}

func (n *nau7802) close() error { return n.finish() }
