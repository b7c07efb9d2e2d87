package link

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"syscall"
)

func listen(address string) (*net.UDPConn, error) {
	a, err := netip.ParseAddrPort(address)
	if err != nil {
		return nil, fmt.Errorf("listen on udp %s: %w", address, err)
	}
	network := "udp6"
	if a.Addr().Unmap().Is4() {
		network = "udp4"
	}
	c, err := net.ListenUDP(network, net.UDPAddrFromAddrPort(netip.AddrPortFrom(a.Addr().Unmap(), a.Port())))
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		return nil, fmt.Errorf("listen on udp %s: another program on this computer has that port open; end it, or give the link and the sender another port: %w", address, err)
	case errors.Is(err, syscall.EADDRNOTAVAIL):
		return nil, fmt.Errorf("listen on udp %s: this computer has no such address now; use one of its own, or 0.0.0.0 for all: %w", address, err)
	case errors.Is(err, syscall.EACCES):
		return nil, fmt.Errorf("listen on udp %s: this user may not open that port; use one over 1023: %w", address, err)
	case err != nil:
		return nil, fmt.Errorf("listen on udp %s: %w", address, err)
	}
	// Best effort: the kernel caps it without a word, and a smaller queue only
	// matters while this process does not run.
	_ = c.SetReadBuffer(wantedQueue)
	return c, nil
}

func (l *Link) runUDP(ctx context.Context) error {
	defer context.AfterFunc(ctx, func() { l.udp.Close() })()
	defer l.udp.Close()
	to := l.LocalAddr()
	buf := make([]byte, maxDatagram)
	var wait backoff
	l.up()
	for {
		n, from, err := l.udp.ReadFromUDPAddrPort(buf)
		if err == nil {
			from = netip.AddrPortFrom(from.Addr().Unmap(), from.Port())
			l.onPacket(Packet{Link: l.cfg.Number, From: from, To: to, Bytes: buf[:n]})
			continue
		}
		if ctx.Err() != nil || l.end.Err() != nil { // the second comes first on Close
			return nil
		}
		if errors.Is(err, net.ErrClosed) {
			return fmt.Errorf("read %v: %w", l.cfg, err)
		}
		// The socket is still there (an interface that went away and the like).
		d := wait.wait()
		l.down(err, d)
		if !sleep(ctx, d) {
			return nil
		}
		l.up()
	}
}
