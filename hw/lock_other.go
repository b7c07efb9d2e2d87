//go:build !(linux || darwin || freebsd || openbsd || netbsd)

package hw

import (
	"errors"
	"net"
	"os"
)

// ErrHeld says that another living process holds the virtual board.
var ErrHeld = errors.New("another guard holds this board")

var errNoLock = errors.New("a virtual board's socket needs a Unix system; leave the socket out here")

func hold(string) (*os.File, error) { return nil, errNoLock }

func listen(string) (*net.UnixListener, error) { return nil, errNoLock }
