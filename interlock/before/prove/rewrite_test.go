package prove

import (
	"encoding/binary"
	"fmt"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialect"
	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/x25"

	"downhaul/interlock/day/intake"
)

// sums are the library's checksum seeds.
var sums = func() *dialect.ReadWriter {
	d := &dialect.ReadWriter{Dialect: common.Dialect}
	if err := d.Initialize(); err != nil {
		panic(fmt.Sprint("the library's dialect: ", err))
	}
	return d
}()

// resigned is a version 2 frame under another system, with a checksum that
// fits.
func resigned(b []byte, system byte) []byte {
	b[5] = system
	n := 10 + int(b[1])
	id := uint32(b[7]) | uint32(b[8])<<8 | uint32(b[9])<<16
	h := x25.New()
	h.Write(b[1:n])
	h.Write([]byte{sums.GetMessage(id).CRCExtra()})
	binary.LittleEndian.PutUint16(b[n:], h.Sum16())
	return b
}

// renewClock gives every ATTITUDE a boot clock that is newer than the last: no
// late and no repeated one can be told any more.
func renewClock() func(c *intake.Chunk) []byte {
	var last uint32
	var at time.Duration // rigs share this; only frames of one instant count on
	return func(c *intake.Chunk) []byte {
		b := append([]byte(nil), c.Bytes...)
		if b[7] != 30 || b[8] != 0 || b[9] != 0 || b[1] < 4 {
			return b
		}
		if now := uint32(c.At.Milliseconds()) + 1_000_000; c.At != at {
			last, at = now, c.At
		} else {
			last++
		}
		binary.LittleEndian.PutUint32(b[10:], last)
		return resigned(b, b[5])
	}
}
