package localsocket

import (
	"net"

	"golang.org/x/sys/unix"
)

// Peer is who holds the other end, as the kernel tells it at the connect: no
// client can make it up.
func (c *Client) Peer() Peer {
	conn, ok := c.conn.(*net.UnixConn)
	if !ok {
		return Peer{}
	}
	raw, err := conn.SyscallConn()
	if err != nil {
		return Peer{}
	}
	var p Peer
	_ = raw.Control(func(fd uintptr) {
		if cred, err := unix.GetsockoptUcred(int(fd), unix.SOL_SOCKET, unix.SO_PEERCRED); err == nil {
			p = Peer{Known: true, UID: int(cred.Uid), GID: int(cred.Gid), PID: int(cred.Pid)}
		}
	})
	return p
}
