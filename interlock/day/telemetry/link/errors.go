package link

import (
	"errors"
	"fmt"
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

// failed is the error of a link that was read, for people.
func (c Config) failed(err error) error {
	switch c.Kind {
	case TCP:
		return fmt.Errorf("read from %s: %w; is the server still running?", c.Address, err)
	case Serial:
		return fmt.Errorf("read serial %s: the device is gone or failed (unplugged? it may come back under another name; one under /dev/serial/by-id stays): %w", c.Address, err)
	}
	return fmt.Errorf("read %v: %w", c, err)
}

func udpError(address string, err error) error {
	const where = "listen on udp %s: "
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		return fmt.Errorf(where+"another program on this computer has that port open; end it, or give the link and the sender another port: %w", address, err)
	case errors.Is(err, syscall.EADDRNOTAVAIL):
		return fmt.Errorf(where+"this computer has no such address now; use one of its own, or 0.0.0.0 for all: %w", address, err)
	case errors.Is(err, syscall.EACCES):
		return fmt.Errorf(where+"this user may not open that port; use one over 1023: %w", address, err)
	}
	return fmt.Errorf(where+"%w", address, err)
}

func dialError(address string, err error) error {
	const where = "connect to %s: "
	var dns *net.DNSError
	var timeout net.Error
	switch {
	case errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Errorf(where+"nothing serves that port; start the server, or mend the port: %w", address, err)
	case errors.As(err, &dns):
		return fmt.Errorf(where+"the name is not known; write the address in figures: %w", address, err)
	case errors.Is(err, syscall.EHOSTUNREACH), errors.Is(err, syscall.ENETUNREACH):
		return fmt.Errorf(where+"no way there from this computer; look at cable, radio network and address: %w", address, err)
	case errors.As(err, &timeout) && timeout.Timeout():
		return fmt.Errorf(where+"no answer within %v; look at cable, radio network and address: %w", address, dialTimeout, err)
	}
	return fmt.Errorf(where+"%w", address, err)
}
