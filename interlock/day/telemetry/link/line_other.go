//go:build !linux

package link

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/netip"
	"time"

	"go.bug.st/serial"
)

// line is what the helper has read and the reader has not taken: on this system a link
// is read by a goroutine of its own. Guards on real pins run on Linux alone.
type line struct {
	udp   *net.UDPConn
	port  io.ReadCloser
	waits chan packet
}

type packet struct {
	from  netip.AddrPort
	bytes []byte
}

// Read gives one datagram, or what a stream had: n bytes in buf and who sent them
// (streams: nobody). n is Nothing where nothing waits. The reader's own goroutine.
func (l *Link) Read(buf []byte) (n int, from netip.AddrPort, lost uint32) {
	select {
	case p := <-l.waits:
		return copy(buf, p.bytes), p.from, 0
	default:
		return Nothing, from, 0
	}
}

// ReadAside gives Nothing: on this system all senders come by Read.
func (l *Link) ReadAside([]byte) (n int, from netip.AddrPort, lost uint32) { return Nothing, from, 0 }

// Widen does nothing.
func (l *Link) Widen() {}

// LocalAddr is the address a UDP link listens on, zero for the others.
func (l *Link) LocalAddr() netip.AddrPort {
	if l.udp == nil {
		return netip.AddrPort{}
	}
	a := l.udp.LocalAddr().(*net.UDPAddr).AddrPort()
	return netip.AddrPortFrom(a.Addr().Unmap(), a.Port())
}

func (l *Link) open() (err error) {
	l.waits = make(chan packet, 256)
	switch l.cfg.Kind {
	case UDP:
		var a netip.AddrPort
		if a, err = netip.ParseAddrPort(l.cfg.Address); err != nil {
			return udpError(l.cfg.Address, err)
		}
		network := "udp6"
		if a.Addr().Unmap().Is4() {
			network = "udp4"
		}
		if l.udp, err = net.ListenUDP(network, net.UDPAddrFromAddrPort(netip.AddrPortFrom(a.Addr().Unmap(), a.Port()))); err != nil {
			return udpError(l.cfg.Address, err)
		}
		_ = l.udp.SetReadBuffer(wantedQueue)
	case Serial:
		l.port, err = openSerial(l.cfg)
	}
	return err
}

// help reads what there is, and tries again what failed, until the link is closed.
func (l *Link) help() {
	var wait backoff
	buf := make([]byte, Longest)
	for l.end.Err() == nil {
		from, err := l.connect()
		if err == nil {
			since := time.Now()
			l.up()
			err = l.cfg.failed(l.readAll(from, buf))
			wait.held(time.Since(since))
		}
		if l.end.Err() != nil {
			return
		}
		l.down(err, wait.wait())
	}
}

// connect gives a stream; nil for datagrams.
func (l *Link) connect() (io.ReadCloser, error) {
	port := l.port
	l.port = nil
	switch {
	case l.cfg.Kind == UDP || port != nil:
		return port, nil
	case l.cfg.Kind == Serial:
		return openSerial(l.cfg)
	}
	d := net.Dialer{Timeout: dialTimeout, KeepAliveConfig: keepAlive}
	c, err := d.DialContext(l.end, "tcp", l.cfg.Address)
	if err != nil {
		return nil, dialError(l.cfg.Address, err)
	}
	return c, nil
}

// readAll reads until that fails or the link is closed.
func (l *Link) readAll(stream io.ReadCloser, buf []byte) error {
	closing := io.Closer(stream)
	if l.cfg.Kind == UDP {
		closing = l.udp
	} else {
		defer stream.Close()
	}
	done := make(chan struct{})
	defer close(done)
	go func() { // ends a read that waits
		select {
		case <-l.end.Done():
			closing.Close()
		case <-done:
		}
	}()
	for {
		var p packet
		var n int
		var err error
		if l.cfg.Kind == UDP {
			n, p.from, err = l.udp.ReadFromUDPAddrPort(buf)
			p.from = netip.AddrPortFrom(p.from.Addr().Unmap(), p.from.Port())
		} else {
			n, err = stream.Read(buf)
		}
		if n > 0 || err == nil && l.cfg.Kind == UDP {
			p.bytes = append([]byte(nil), buf[:n]...)
			select {
			case l.waits <- p:
				l.wake()
			default: // nobody reads: the newest goes
			}
		}
		if err != nil {
			return err
		}
	}
}

func (l *Link) shut() (err error) {
	if l.udp != nil {
		if err = l.udp.Close(); errors.Is(err, net.ErrClosed) {
			err = nil
		}
	}
	if l.port != nil {
		err = errors.Join(err, l.port.Close())
		l.port = nil
	}
	return err
}

func openSerial(cfg Config) (io.ReadCloser, error) {
	p, err := serial.Open(cfg.Address, &serial.Mode{BaudRate: cfg.Baud, DataBits: 8, Parity: serial.NoParity, StopBits: serial.OneStopBit})
	if err != nil {
		return nil, serialError(cfg, err)
	}
	return p, nil
}

func serialError(cfg Config, err error) error {
	const where = "open serial %s: "
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf(where+"no such device; plug it in: %w", cfg.Address, err)
	}
	var pe *serial.PortError
	if errors.As(err, &pe) {
		switch pe.Code() {
		case serial.PortBusy:
			return fmt.Errorf(where+"another program has it open; end that: %w", cfg.Address, err)
		case serial.PermissionDenied:
			return fmt.Errorf(where+"this user may not open it: %w", cfg.Address, err)
		case serial.InvalidSpeed:
			return fmt.Errorf(where+"it does not do %d baud; take the speed the radio is set to: %w", cfg.Address, cfg.Baud, err)
		case serial.InvalidSerialPort:
			return fmt.Errorf(where+"not a serial device: %w", cfg.Address, err)
		}
	}
	return fmt.Errorf(where+"%w", cfg.Address, err)
}
