package craftmodel

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"syscall"
	"time"
)

// Live flies a craft in real time and writes its frames to a socket, one
// datagram each.
type Live struct {
	Craft *Craft
	Conn  net.Conn
	// Turn, when set, is called on every turn before the craft moves on, on
	// the goroutine that flies it: the one place to read its sensors, work its
	// contactor or give it orders while Serve runs. An error ends Serve.
	Turn func(c *Craft) error
	// Speed is model seconds for each real second; 0 means 1.
	Speed float64
	// Unheard counts datagrams that nobody was there to take.
	Unheard int
}

// turnPeriod is how often the live driver wakes: well under the shortest
// period of a message, and one turn of the pad's own sensors.
const turnPeriod = 5 * time.Millisecond

// Dial opens a UDP socket towards a loopback address such as
// "127.0.0.1:40123". It refuses every other address: a simulated craft must
// never be taken for a real one by somebody else's ground station.
func Dial(addr string) (net.Conn, error) {
	to, err := netip.ParseAddrPort(addr)
	if err != nil {
		return nil, fmt.Errorf("craft model: expected a loopback address with a port such as 127.0.0.1:40123 (got %q): %w", addr, err)
	}
	if !to.Addr().IsLoopback() {
		return nil, fmt.Errorf("craft model: speaks only to a loopback address (got %s); use 127.0.0.1 or [::1]", to.Addr())
	}
	return net.Dial("udp", to.String())
}

// Serve flies until ctx ends, and then returns nil. A listener that is not
// there is no error: datagrams to it are counted in Unheard. A host that
// stalls gets the frames it missed late, stamped as they were due.
func (l *Live) Serve(ctx context.Context) error {
	speed := l.Speed
	if speed == 0 {
		speed = 1
	}
	if speed < 0 {
		return fmt.Errorf("craft model: speed must be above zero (got %v)", speed)
	}
	beat := time.NewTicker(turnPeriod)
	defer beat.Stop()
	started, from := time.Now(), l.Craft.Now()
	var frames []Datagram
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-beat.C:
		}
		if l.Turn != nil {
			if err := l.Turn(l.Craft); err != nil {
				return fmt.Errorf("craft model: turn: %w", err)
			}
		}
		l.Craft.Advance(from + time.Duration(float64(time.Since(started))*speed))
		frames = l.Craft.Frames(frames[:0])
		for _, f := range frames {
			if _, err := l.Conn.Write(f.Bytes); err != nil {
				if !errors.Is(err, syscall.ECONNREFUSED) {
					return fmt.Errorf("craft model: send: %w", err)
				}
				l.Unheard++
			}
		}
	}
}
