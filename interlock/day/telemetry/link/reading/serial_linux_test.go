package reading

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"downhaul/interlock/day/telemetry/link"
)

// pty opens a pseudo terminal: the master is the far end of the line, the
// path its device.
func pty(t *testing.T) (master *os.File, path string) {
	t.Helper()
	fd, err := unix.Open("/dev/ptmx", unix.O_RDWR|unix.O_NOCTTY|unix.O_CLOEXEC|unix.O_NONBLOCK, 0)
	if err != nil {
		t.Skipf("no pseudo terminal on this system: open /dev/ptmx: %v", err)
	}
	master = os.NewFile(uintptr(fd), "/dev/ptmx") // non-blocking: deadlines work
	t.Cleanup(func() { master.Close() })
	if err := unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0); err != nil {
		t.Skipf("no pseudo terminal on this system: unlock: %v", err)
	}
	n, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
	if err != nil {
		t.Skipf("no pseudo terminal on this system: name: %v", err)
	}
	path = fmt.Sprintf("/dev/pts/%d", n)
	if _, err := os.Stat(path); err != nil {
		t.Skipf("no pseudo terminal on this system: %v", err)
	}
	return master, path
}

func TestSerialReadsAndSendsNothing(t *testing.T) {
	master, path := pty(t)
	l := open(t, link.Config{Number: 1, Kind: link.Serial, Address: path, Baud: 57600})
	h := run(t, l)
	h.event(t, true)
	// Bytes that a terminal not in raw mode would change, eat or answer.
	want := []byte{0xFD, 0x00, 0x03, 0x04, 0x0A, 0x0D, 0x11, 0x13, 0x1A, 0x7F, 0xFF, 0xFE}
	for range 10 {
		if _, err := master.Write(want); err != nil {
			t.Fatal(err)
		}
		if got := h.bytes(t, len(want)); !bytes.Equal(got, want) {
			t.Fatalf("got % X, want % X", got, want)
		}
	}
	master.SetReadDeadline(time.Now().Add(300 * time.Millisecond))
	n, err := master.Read(make([]byte, 100))
	if errors.Is(err, os.ErrNoDeadline) {
		t.Fatal(err)
	}
	if n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("the far end got %d bytes (%v), want none", n, err)
	}
	select {
	case e := <-h.events:
		t.Errorf("a silent line gave the event %+v", e)
	default:
	}
}

func TestSerialComesBackAndSaysSo(t *testing.T) {
	first, path := pty(t)
	name := filepath.Join(t.TempDir(), "tty")
	if err := os.Symlink(path, name); err != nil {
		t.Fatal(err)
	}
	h := run(t, open(t, link.Config{Kind: link.Serial, Address: name, Baud: 115200}))
	h.event(t, true)
	first.Write([]byte("one"))
	h.bytes(t, 3)
	os.Remove(name)
	first.Close() // unplugged
	if e := h.event(t, false); !strings.Contains(e.Text, "/dev/serial/by-id") || !strings.Contains(e.Text, name) {
		t.Errorf("event %q does not name the device and the mend", e.Text)
	}
	if e := h.event(t, false); !strings.Contains(e.Text, "no such device") {
		t.Errorf("event %q does not say that the device is missing", e.Text)
	}
	second, path := pty(t)
	if err := os.Symlink(path, name); err != nil {
		t.Fatal(err)
	}
	for e := range h.events {
		if e.Up {
			break
		}
	}
	second.Write([]byte("two"))
	if got := h.bytes(t, 3); string(got) != "two" {
		t.Errorf("got %q, want %q", got, "two")
	}
}
