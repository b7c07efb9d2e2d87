package hw

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c/i2ctest"
	"periph.io/x/conn/v3/physic"
)

// nauPart is the part in memory: registers that a reset clears, a conversion
// every period of a clock that only sleeping moves.
type nauPart struct {
	t         *testing.T
	now       time.Duration
	reg       [0x20]byte
	since     time.Duration // when conversions began
	read      int64         // conversions taken
	next      func(n int64) int32
	gone      bool
	deaf      bool // takes no setting
	stopped   bool // never has a conversion
	unpowered bool // never powers up
	settings  int
}

func (p *nauPart) String() string                  { return "part" }
func (p *nauPart) SetSpeed(physic.Frequency) error { return nil }
func (p *nauPart) sleep(d time.Duration)           { p.now += d }
func (p *nauPart) rate() float64                   { return nauRates[p.reg[nauSpeed]>>4&7] }
func (p *nauPart) made() int64                     { return int64((p.now - p.since).Seconds() * p.rate()) }
func (p *nauPart) running() bool                   { return p.reg[nauControl]&nauRunning == nauRunning }
func (p *nauPart) powerFails()                     { p.reg = [0x20]byte{} }

func (p *nauPart) Tx(addr uint16, w, r []byte) error {
	if p.gone || addr != nauAddress {
		return errors.New("no acknowledge")
	}
	if len(w) == 2 && len(r) == 0 {
		if p.settings++; p.deaf && w[0] != nauControl {
			return nil
		}
		p.reg[w[0]] = w[1]
		if w[0] == nauControl {
			switch {
			case w[1]&nauReset != 0:
				p.reg = [0x20]byte{}
			case w[1]&nauConvert != 0:
				p.since, p.read = p.now, 0
			}
		}
		return nil
	}
	if len(w) != 1 {
		p.t.Fatalf("an exchange of %d bytes out, %d in", len(w), len(r))
	}
	if w[0] == nauControl {
		v := p.reg[nauControl]
		if v&nauDigital != 0 && !p.unpowered {
			v |= nauPowered
		}
		if p.running() && !p.stopped && p.made() > p.read {
			v |= nauReady
		}
		r[0] = v
		return nil
	}
	if w[0] == nauResult {
		if len(r) != 3 {
			p.t.Fatalf("a result has three bytes, %d were read", len(r))
		}
		p.read = p.made()
		v := p.next(p.read)
		r[0], r[1], r[2] = byte(v>>16), byte(v>>8), byte(v)
		return nil
	}
	r[0] = p.reg[w[0]]
	return nil
}

func newNauPart(t *testing.T) *nauPart {
	return &nauPart{t: t, next: func(n int64) int32 { return int32(n) }}
}

func TestNAU7802GivesEveryConversionOnce(t *testing.T) {
	for _, rate := range []float64{10, 20, 40, 80, 320} {
		p := newNauPart(t)
		n, err := newNAU7802(p, rate, p.sleep, func() error { return nil })
		if err != nil {
			t.Fatal(err)
		}
		// Gain 128 is 2^7 in bits 2:0; 3.0 V is (4500-3000)/300 = 5 in 5:3.
		if p.reg[nauGain] != 0x2F || p.rate() != rate {
			t.Errorf("at %v Hz: gain register %02X, rate %v", rate, p.reg[nauGain], p.rate())
		}
		for i := range int64(20) {
			v, err := n.next()
			if want := int32(nauSettling + 1 + i); err != nil || v != want {
				t.Fatalf("at %v Hz: conversion %d is %d, %v", rate, want, v, err)
			}
		}
	}
}

// 24 bits in two's complement, most significant first.
func TestNAU7802CountsHaveTheirSign(t *testing.T) {
	p := newNauPart(t)
	n, err := newNAU7802(p, 80, p.sleep, func() error { return nil })
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []int32{0, 1, -1, 0x7FFFFF, -0x800000, 0x123456, -0x123456} {
		p.next = func(int64) int32 { return want }
		if v, err := n.next(); v != want || err != nil {
			t.Errorf("got %d, %v, want %d", v, err, want)
		}
	}
}

func TestNAU7802SetUpByteForByte(t *testing.T) {
	bus := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
		{Addr: 0x2A, W: []byte{0x00, 0x01}}, // reset
		{Addr: 0x2A, W: []byte{0x00, 0x02}}, // digital part on
		{Addr: 0x2A, W: []byte{0x00}, R: []byte{0x02}},
		{Addr: 0x2A, W: []byte{0x00}, R: []byte{0x0A}}, // powered
		{Addr: 0x2A, W: []byte{0x00, 0x86}},            // analogue part, own regulator
		{Addr: 0x2A, W: []byte{0x01, 0x2F}},            // gain 128, 3.0 V
		{Addr: 0x2A, W: []byte{0x02, 0x30}},            // 80 a second
		{Addr: 0x2A, W: []byte{0x00, 0x96}},            // convert
		{Addr: 0x2A, W: []byte{0x01}, R: []byte{0x2F}}, // as told
		{Addr: 0x2A, W: []byte{0x02}, R: []byte{0xB0}}, // as told, another channel's bit aside
	}}
	for range nauSettling {
		bus.Ops = append(bus.Ops, i2ctest.IO{Addr: 0x2A, W: []byte{0x00}, R: []byte{0xBE}}, i2ctest.IO{Addr: 0x2A, W: []byte{0x12}, R: []byte{0, 0, 0}})
	}
	n, err := newNAU7802(bus, 80, func(time.Duration) {}, bus.Close)
	if err != nil {
		t.Fatal(err)
	}
	if err := n.close(); err != nil {
		t.Error(err)
	}
}

func TestNAU7802SaysWhatIsWrong(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func(*nauPart)
		want string
	}{
		{"no part", func(p *nauPart) { p.gone = true }, "NAU7802: no acknowledge; is it on this bus, powered, with both wires whole?"},
		{"takes no setting", func(p *nauPart) { p.deaf = true }, "NAU7802: register 01h was set to 2Fh and reads 00h; another part, or a bad wire"},
		{"never converts", func(p *nauPart) { p.stopped = true }, "NAU7802: wait for a conversion: it does not come in time"},
	} {
		p := newNauPart(t)
		c.do(p)
		if _, err := newNAU7802(p, 80, p.sleep, func() error { return nil }); err == nil || err.Error() != c.want {
			t.Errorf("%s: got %v, want %s", c.name, err, c.want)
		}
	}
	if _, err := newNAU7802(newNauPart(t), 79, nil, nil); err == nil {
		t.Error("a rate that the part has not was taken")
	}
}

// A part that lost its supply comes back with other settings: not one count of
// another scale may get through.
func TestNAU7802IsSetUpAnewAfterAFault(t *testing.T) {
	p := newNauPart(t)
	n, err := newNAU7802(p, 80, p.sleep, func() error { return nil })
	if err != nil {
		t.Fatal(err)
	}
	p.powerFails()
	if _, err := n.next(); err == nil || !strings.Contains(err.Error(), "the part was reset") {
		t.Fatalf("after its supply failed: %v", err)
	}
	if v, err := n.next(); err != nil || v != nauSettling+1 || p.reg[nauGain] != 0x2F {
		t.Fatalf("set up anew: %d, %v, gain register %02X", v, err, p.reg[nauGain])
	}
	p.gone = true
	for range 3 {
		if _, err := n.next(); err == nil {
			t.Fatal("a count from a part that is gone")
		}
	}
	p.gone = false
	before := p.settings
	if _, err := n.next(); err != nil || p.settings == before {
		t.Errorf("it is back: %v", err)
	}
	if !slices.Contains(nauRates[:], p.rate()) || p.rate() != 80 {
		t.Errorf("rate %v", p.rate())
	}
}
