package emulated

import (
	"context"
	"encoding/binary"
	"math"
	"net"
	"sync"
	"time"

	"downhaul/interlock/model/craftmodel"
)

// craftLine is the telemetry line from the modelled craft, which can be cut, and
// on which the craft's attitude can be made to lie.
type craftLine struct {
	net.Conn
	mu     sync.Mutex
	cut    bool
	tilted bool
	sent   time.Time // when the first tilted frame went out
}

func (c *craftLine) Write(b []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.cut {
		return len(b), nil
	}
	if c.tilted && tilt(b) && c.sent.IsZero() {
		c.sent = time.Now()
	}
	return c.Conn.Write(b)
}

func (c *craftLine) set(cut, tilted bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.cut, c.tilted, c.sent = cut, tilted, time.Time{}
}

func (c *craftLine) firstTilted() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.sent
}

// tilt makes an ATTITUDE frame of MAVLink 2 say 80 degrees of roll, and says
// whether it was one. The layout is that of the common message set: message 30,
// roll as the second field of four bytes; its extra byte of the checksum is 39.
func tilt(b []byte) bool {
	const header, attitude, extra = 10, 30, 39
	if len(b) < header+12 || b[0] != 0xFD || b[7] != attitude || b[8] != 0 || b[9] != 0 {
		return false
	}
	binary.LittleEndian.PutUint32(b[header+4:], math.Float32bits(80*math.Pi/180))
	end := header + int(b[1])
	crc := uint16(0xFFFF)
	for _, v := range append(b[1:end:end], extra) {
		x := v ^ byte(crc)
		x ^= x << 4
		crc = crc>>8 ^ uint16(x)<<8 ^ uint16(x)<<3 ^ uint16(x)>>4
	}
	binary.LittleEndian.PutUint16(b[end:], crc)
	return true
}

// fly lets a modelled craft stand on the pad and speak until the test ends, or it is ended.
func (r *rig) fly() (end func()) {
	r.t.Helper()
	return r.speaks(craftmodel.EightTwo(), func(*craftmodel.Craft) {})
}

// speaks lets a modelled craft, whose rotors obey the contactor, speak until the test ends,
// or it is ended; turn is called on each of its turns.
func (r *rig) speaks(cfg craftmodel.Config, turn func(*craftmodel.Craft)) (end func()) {
	r.t.Helper()
	conn, err := craftmodel.Dial(r.m.Address)
	must(r.t, err)
	cfg.Unpowered = true
	craft, err := craftmodel.New(cfg)
	must(r.t, err)
	r.line = &craftLine{Conn: conn}
	ctx, cancel := context.WithCancel(context.Background())
	live := craftmodel.Live{Craft: craft, Conn: r.line, Turn: func(c *craftmodel.Craft) error {
		c.SetPower(r.out.PowerOn())
		turn(c)
		return nil
	}}
	var work sync.WaitGroup
	work.Go(func() { _ = live.Serve(ctx) }) // a dead line ends it
	end = sync.OnceFunc(func() { cancel(); work.Wait(); _ = conn.Close() })
	r.t.Cleanup(end)
	return end
}
