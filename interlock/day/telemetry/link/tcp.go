package link

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"syscall"
	"time"
)

// Ours: a server on the pad's own network answers within this or not at all.
const dialTimeout = 3 * time.Second

// Ours: a peer that vanished without a word (a pulled cable) is noticed within
// about 11 s. Keep-alive probes carry no data: the peer reads nothing. Long
// before, the engine has seen the silence.
var keepAlive = net.KeepAliveConfig{Enable: true, Idle: 5 * time.Second, Interval: 2 * time.Second, Count: 3}

func (l *Link) runTCP(ctx context.Context) error {
	d := net.Dialer{Timeout: dialTimeout, KeepAliveConfig: keepAlive}
	buf := make([]byte, maxDatagram)
	var wait backoff
	for ctx.Err() == nil {
		c, err := d.DialContext(ctx, "tcp", l.cfg.Address)
		if err == nil {
			since := time.Now()
			l.up()
			err = l.readTCP(ctx, c, buf)
			wait.held(time.Since(since))
		} else {
			err = dialError(l.cfg.Address, err)
		}
		if ctx.Err() != nil {
			return nil
		}
		w := wait.wait()
		l.down(err, w)
		if !sleep(ctx, w) {
			return nil
		}
	}
	return nil
}

// readTCP reads c until it fails or ctx ends, and closes it.
func (l *Link) readTCP(ctx context.Context, c net.Conn, buf []byte) error {
	defer context.AfterFunc(ctx, func() { c.Close() })()
	defer c.Close()
	for {
		n, err := c.Read(buf)
		if n > 0 {
			l.onPacket(Packet{Link: l.cfg.Number, Bytes: buf[:n]})
		}
		switch {
		case errors.Is(err, io.EOF):
			return errors.New("the server closed the connection")
		case err != nil:
			return err
		}
	}
}

func dialError(address string, err error) error {
	var dns *net.DNSError
	var timeout net.Error
	switch {
	case errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Errorf("connect to %s: nothing serves that port; start the server, or mend the port: %w", address, err)
	case errors.As(err, &dns):
		return fmt.Errorf("connect to %s: the name is not known; write the address in figures: %w", address, err)
	case errors.Is(err, syscall.EHOSTUNREACH), errors.Is(err, syscall.ENETUNREACH):
		return fmt.Errorf("connect to %s: no way there from this computer; look at cable, radio network and address: %w", address, err)
	case errors.As(err, &timeout) && timeout.Timeout():
		return fmt.Errorf("connect to %s: no answer within %v; look at cable, radio network and address: %w", address, dialTimeout, err)
	}
	return fmt.Errorf("connect to %s: %w", address, err)
}
