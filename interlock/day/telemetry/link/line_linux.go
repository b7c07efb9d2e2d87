package link

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"strconv"
	"sync/atomic"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// line is what the reader reads: one descriptor, which only it reads and waits for, and
// which goes back to the helper when it fails.
type line struct {
	now    source
	aside  source // of a UDP link with one sender: all others
	local  netip.AddrPort
	first  int                     // what open gives the helper
	ready  atomic.Int32            // from the helper to the reader: a descriptor and one
	failed atomic.Pointer[failure] // from the reader to the helper
}

type failure struct {
	fd  int
	err error
}

// source is a descriptor with the room that a read of it needs.
type source struct {
	fd      int // -1 while there is none
	stream  bool
	hung    bool   // the kernel reports an error on it
	dropped uint32 // by the kernel, in all
	head    unix.Msghdr
	part    unix.Iovec
	from    unix.RawSockaddrAny
	control [4]uint64 // aligned as the kernel's head of it wants
	zones   map[uint32]string
}

// read gives one datagram, or what a stream has. It never waits. A raw call: it needs no
// other thread to take the loop's place meanwhile.
func (s *source) read(buf []byte) (n int, from netip.AddrPort, lost uint32, err error) {
	for tries := 0; ; tries++ {
		var r uintptr
		var errno unix.Errno
		if s.stream {
			r, _, errno = unix.RawSyscall(unix.SYS_READ, uintptr(s.fd), uintptr(unsafe.Pointer(&buf[0])), uintptr(len(buf)))
		} else {
			s.part.Base = &buf[0]
			s.part.SetLen(len(buf))
			s.head = unix.Msghdr{Name: (*byte)(unsafe.Pointer(&s.from)), Namelen: unix.SizeofSockaddrAny, Iov: &s.part, Control: (*byte)(unsafe.Pointer(&s.control))}
			s.head.SetIovlen(1)
			s.head.SetControllen(int(unsafe.Sizeof(s.control)))
			r, _, errno = unix.RawSyscall(unix.SYS_RECVMSG, uintptr(s.fd), uintptr(unsafe.Pointer(&s.head)), unix.MSG_DONTWAIT)
		}
		switch {
		case errno == unix.EINTR:
			continue
		case errno == unix.EAGAIN && !s.hung:
			return Nothing, from, 0, nil
		case errno == unix.EAGAIN:
			return Nothing, from, 0, errors.New("the kernel reports an error on it, and nothing else")
		case errno != 0 && !s.stream && tries < 8:
			s.hung = false // an ICMP message, which anybody can forge: to read it takes it off
		case errno != 0:
			return Nothing, from, 0, errno
		case s.stream && r == 0:
			return Nothing, from, 0, errEnd
		case s.stream:
			return int(r), from, 0, nil
		}
		return int(r), s.sender(), s.lost(), nil
	}
}

var errEnd = errors.New("its other end is gone")

// sender is who sent the datagram just read.
func (s *source) sender() netip.AddrPort {
	switch s.from.Addr.Family {
	case unix.AF_INET:
		a := (*unix.RawSockaddrInet4)(unsafe.Pointer(&s.from))
		return netip.AddrPortFrom(netip.AddrFrom4(a.Addr), port(&a.Port))
	case unix.AF_INET6:
		a := (*unix.RawSockaddrInet6)(unsafe.Pointer(&s.from))
		ip := netip.AddrFrom16(a.Addr).Unmap()
		if a.Scope_id != 0 && ip.Is6() {
			ip = ip.WithZone(s.zone(a.Scope_id))
		}
		return netip.AddrPortFrom(ip, port(&a.Port))
	}
	return netip.AddrPort{}
}

// port is a port as it stands in an address: the high byte first.
func port(p *uint16) uint16 { return binary.BigEndian.Uint16((*[2]byte)(unsafe.Pointer(p))[:]) }

// zone is the name of an IPv6 address's zone; of an interface that came after the link
// was opened it is the number.
func (s *source) zone(n uint32) string {
	if name, ok := s.zones[n]; ok {
		return name
	}
	return strconv.FormatUint(uint64(n), 10)
}

// lost is how many datagrams the kernel's queue has dropped since the last one that
// was read (SO_RXQ_OVFL).
func (s *source) lost() uint32 {
	h := (*unix.Cmsghdr)(unsafe.Pointer(&s.control))
	if int(s.head.Controllen) < unix.CmsgLen(4) || h.Level != unix.SOL_SOCKET || h.Type != unix.SO_RXQ_OVFL {
		return 0
	}
	all := *(*uint32)(unsafe.Add(unsafe.Pointer(h), unix.CmsgLen(0)))
	lost := all - s.dropped
	s.dropped = all
	return lost
}

// Read gives one datagram, or what a stream has by now: n bytes in buf, who sent them
// (streams: nobody), and how many datagrams the kernel dropped just before. n is Nothing
// where nothing waits. It never waits itself. The reader's own goroutine.
func (l *Link) Read(buf []byte) (n int, from netip.AddrPort, lost uint32) {
	if l.now.fd < 0 {
		if l.now.fd = int(l.ready.Swap(0)) - 1; l.now.fd < 0 {
			return Nothing, from, 0
		}
		l.now.hung = false
	}
	n, from, lost, err := l.now.read(buf)
	if err != nil {
		l.failed.Store(&failure{l.now.fd, err})
		l.now.fd = -1
	}
	return n, from, lost
}

// ReadAside is Read for what others send than the one whom Config.From names. It is not
// waited for: whoever sends much keeps nobody busy.
func (l *Link) ReadAside(buf []byte) (n int, from netip.AddrPort, lost uint32) {
	if l.aside.fd < 0 {
		return Nothing, from, 0
	}
	n, from, lost, _ = l.aside.read(buf)
	return n, from, lost
}

// Widen gives the second socket up: all senders come by Read from now on. A socket that
// names its sender hears what is sent to one address of this computer, and a craft may
// send to another, or to all (broadcast). The reader's own goroutine.
func (l *Link) Widen() {
	if l.aside.fd < 0 || l.now.fd < 0 {
		return
	}
	_ = unix.Close(l.now.fd)
	l.now, l.aside.fd = l.aside, -1
}

// LocalAddr is the address a UDP link listens on, zero for the others.
func (l *Link) LocalAddr() netip.AddrPort { return l.local }

// open opens what must be there from the start.
func (l *Link) open() (err error) {
	l.now.fd, l.aside.fd, l.first = -1, -1, -1
	l.now.stream = l.cfg.Kind != UDP
	switch l.cfg.Kind {
	case UDP:
		err = l.listen()
	case Serial:
		l.first, err = openSerial(l.cfg)
	}
	return err
}

// help connects, hands over, and tries again what failed, until the link is closed.
func (l *Link) help() {
	var wait backoff
	fd := l.first
	l.first = -1
	defer func() {
		if fd >= 0 {
			_ = unix.Close(fd)
		}
	}()
	for l.end.Err() == nil {
		var err error
		switch {
		case fd >= 0:
		case l.cfg.Kind == TCP:
			fd, err = dial(l.end, l.cfg.Address)
		default:
			fd, err = openSerial(l.cfg)
		}
		if err == nil {
			since := time.Now()
			l.up()
			l.ready.Store(int32(fd) + 1)
			fd = -1
			l.wake()
			f := l.givenUp()
			if f == nil {
				return
			}
			fd, err = f.fd, l.cfg.failed(f.err)
			if l.cfg.Kind != UDP { // a socket is still there: an interface that went away and the like
				_ = unix.Close(fd)
				fd = -1
			}
			wait.held(time.Since(since))
		}
		if l.end.Err() != nil {
			return
		}
		l.down(err, wait.wait())
	}
}

// givenUp waits until the reader has given its descriptor up; nil at the end.
func (l *Link) givenUp() *failure {
	for sleep(l.end, lookEvery) {
		if f := l.failed.Swap(nil); f != nil {
			return f
		}
	}
	return nil
}

// shut closes what the reader has, or was given.
func (l *Link) shut() (err error) {
	fds := []int{l.first, l.now.fd, l.aside.fd, int(l.ready.Swap(0)) - 1}
	if f := l.failed.Swap(nil); f != nil {
		fds = append(fds, f.fd)
	}
	for _, fd := range fds {
		if fd >= 0 {
			err = errors.Join(err, unix.Close(fd))
		}
	}
	l.first, l.now.fd, l.aside.fd = -1, -1, -1
	return err
}

// listen opens the socket, and the one beside it where the link has one sender.
func (l *Link) listen() error {
	at, err := netip.ParseAddrPort(l.cfg.Address)
	if err != nil {
		return fmt.Errorf("listen on udp %s: %w", l.cfg.Address, err)
	}
	fd, err := bound(at, false)
	if err != nil {
		return udpError(l.cfg.Address, err)
	}
	l.first = fd
	name, err := unix.Getsockname(fd)
	if err != nil {
		return errors.Join(udpError(l.cfg.Address, err), l.shut())
	}
	l.local = addrPort(name)
	if l.local.Addr().Is6() {
		l.now.zones = map[uint32]string{}
		all, _ := net.Interfaces() // best effort: a name for people, and for Config.From
		for _, i := range all {
			l.now.zones[uint32(i.Index)] = i.Name
		}
		l.aside.zones = l.now.zones
	}
	from := netip.AddrPortFrom(l.cfg.From.Addr().Unmap(), l.cfg.From.Port())
	if !from.IsValid() || from.Port() == 0 || from.Addr().Is4() != l.local.Addr().Is4() {
		return nil
	}
	// The first is bound without sharing, so that another program's port is refused. The
	// second may share it for the moment in which it is bound, and connects: the kernel
	// gives a datagram to the socket that names its sender before one that does not.
	share := func(fd, on int) error { return unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_REUSEADDR, on) }
	if err = share(fd, 1); err == nil {
		var one int
		if one, err = bound(l.local, true); err == nil && unix.Connect(one, sockaddr(from)) != nil {
			_ = unix.Close(one) // no way there yet, as before a network is up: all come by one
		} else if err == nil {
			l.first, l.aside.fd = one, fd
			err = share(one, 0)
			// A word of the sender's from before would pass for one sent elsewhere.
			buf, n := make([]byte, Longest), 0
			for left := wantedQueue / 256; left > 0 && n != Nothing; left-- { // a queue's worth
				n, _, _, _ = l.aside.read(buf)
			}
		}
		err = errors.Join(err, share(fd, 0))
	}
	if err != nil {
		return errors.Join(udpError(l.cfg.Address, err), l.shut())
	}
	return nil
}

// bound is a socket that listens there.
func bound(at netip.AddrPort, shared bool) (int, error) {
	family := unix.AF_INET6
	if at.Addr().Unmap().Is4() {
		family = unix.AF_INET
	}
	fd, err := unix.Socket(family, unix.SOCK_DGRAM|unix.SOCK_NONBLOCK|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return -1, err
	}
	set := func(level, option, value int) error { return unix.SetsockoptInt(fd, level, option, value) }
	if family == unix.AF_INET6 {
		err = set(unix.IPPROTO_IPV6, unix.IPV6_V6ONLY, 1)
	}
	if shared {
		err = errors.Join(err, set(unix.SOL_SOCKET, unix.SO_REUSEADDR, 1))
	}
	if err == nil {
		// Best effort: a kernel that does not count what it drops is listened on all the
		// same. It caps the queue without a word, and a smaller one only matters while
		// this process does not run.
		_ = set(unix.SOL_SOCKET, unix.SO_RXQ_OVFL, 1)
		_ = set(unix.SOL_SOCKET, unix.SO_RCVBUF, wantedQueue)
		err = unix.Bind(fd, sockaddr(at))
	}
	if err != nil {
		_ = unix.Close(fd)
		return -1, err
	}
	return fd, nil
}

func sockaddr(a netip.AddrPort) unix.Sockaddr {
	if ip := a.Addr().Unmap(); ip.Is4() {
		return &unix.SockaddrInet4{Addr: ip.As4(), Port: int(a.Port())}
	}
	s := &unix.SockaddrInet6{Addr: a.Addr().As16(), Port: int(a.Port())}
	if n, err := net.InterfaceByName(a.Addr().Zone()); err == nil {
		s.ZoneId = uint32(n.Index)
	} else if n, err := strconv.ParseUint(a.Addr().Zone(), 10, 32); err == nil {
		s.ZoneId = uint32(n)
	}
	return s
}

func addrPort(s unix.Sockaddr) netip.AddrPort {
	switch s := s.(type) {
	case *unix.SockaddrInet4:
		return netip.AddrPortFrom(netip.AddrFrom4(s.Addr), uint16(s.Port))
	case *unix.SockaddrInet6:
		return netip.AddrPortFrom(netip.AddrFrom16(s.Addr), uint16(s.Port))
	}
	return netip.AddrPort{}
}

// dial connects and takes the descriptor out of the runtime's hands.
func dial(ctx context.Context, address string) (fd int, err error) {
	d := net.Dialer{Timeout: dialTimeout, KeepAliveConfig: keepAlive}
	c, err := d.DialContext(ctx, "tcp", address)
	if err != nil {
		return -1, dialError(address, err)
	}
	defer c.Close()
	raw, err := c.(*net.TCPConn).SyscallConn()
	if err == nil {
		err = errors.Join(raw.Control(func(own uintptr) {
			fd, err = unix.FcntlInt(own, unix.F_DUPFD_CLOEXEC, 0)
		}), err)
	}
	if err != nil {
		return -1, fmt.Errorf("connect to %s: %w", address, err)
	}
	return fd, nil
}
