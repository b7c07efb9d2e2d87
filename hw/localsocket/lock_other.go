//go:build !unix

package localsocket

import (
	"errors"
	"net"
	"os"
)

var errNoLock = errors.New("a local socket needs a Unix system; leave the socket out here")

func hold(string) (*os.File, error) { return nil, errNoLock }

func drop(f *os.File) error { return f.Close() }

func listen(Config) (*net.UnixListener, error) { return nil, errNoLock }
