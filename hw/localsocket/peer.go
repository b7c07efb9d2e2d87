package localsocket

// Peer is the process at the other end of a socket.
type Peer struct {
	// Known is false where the system does not tell.
	Known         bool
	UID, GID, PID int
}
