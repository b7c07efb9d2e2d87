package watchdog

import (
	"bytes"
	"errors"
	"net"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// manager listens as a service manager does and gives what it is told.
func manager(t testing.TB, interval string) (*net.UnixConn, Sender, time.Duration) {
	t.Helper()
	dir, err := os.MkdirTemp("", "dh")
	must(t, err)
	t.Cleanup(func() { os.RemoveAll(dir) })
	path := filepath.Join(dir, "notify")
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	must(t, err)
	t.Cleanup(func() { c.Close() })
	for _, v := range []struct{ key, value string }{{"NOTIFY_SOCKET", path}, {"WATCHDOG_USEC", interval}, {"WATCHDOG_PID", ""}} {
		if tt, ok := t.(interface{ Setenv(string, string) }); ok {
			tt.Setenv(v.key, v.value)
		}
	}
	s, every, err := Manager()
	must(t, err)
	return c, s, every
}

// told reads what has come by now.
func told(t testing.TB, c *net.UnixConn) (out []string) {
	t.Helper()
	buf := make([]byte, 512)
	for {
		must(t, c.SetReadDeadline(time.Now().Add(50*time.Millisecond)))
		n, err := c.Read(buf)
		if err != nil {
			return out
		}
		out = append(out, string(buf[:n]))
	}
}

func TestFeederTellsTheManager(t *testing.T) {
	c, s, every := manager(t, "400000")
	if every != 400*time.Millisecond {
		t.Fatalf("interval %v", every)
	}
	f := &Feeder{Manager: s, Interval: every}
	f.Says("RELAY OPEN")
	want := func(now time.Duration, want ...string) {
		t.Helper()
		f.Turned(now)
		if got := told(t, c); !slices.Equal(got, want) {
			t.Errorf("at %v told %q, want %q", now, got, want)
		}
	}
	want(0, "READY=1", "WATCHDOG=1", "STATUS=RELAY OPEN")
	want(199 * time.Millisecond)
	// sd_watchdog_enabled(3): every half of the interval.
	want(200*time.Millisecond, "WATCHDOG=1")
	f.Says("LIVE")
	f.Says("BRING IT DOWN")
	want(210*time.Millisecond, "STATUS=BRING IT DOWN")
	want(300 * time.Millisecond)
	want(950*time.Millisecond, "WATCHDOG=1") // one, however late
	f.Stopping()
	if got := told(t, c); !slices.Equal(got, []string{"STOPPING=1"}) {
		t.Errorf("at the end told %q", got)
	}
	if n, err := f.Trouble(); n != 0 {
		t.Errorf("trouble %v", err)
	}
}

func TestNoManager(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", "")
	if s, every, err := Manager(); s != nil || every != 0 || err != nil {
		t.Errorf("%v, %v, %v", s, every, err)
	}
	t.Setenv("NOTIFY_SOCKET", "vsock:2:1234")
	if _, _, err := Manager(); err == nil {
		t.Error("a socket that is not local was taken")
	}
	// A watchdog that is meant for another process is none of ours.
	t.Setenv("NOTIFY_SOCKET", "/nowhere")
	t.Setenv("WATCHDOG_USEC", "1000000")
	t.Setenv("WATCHDOG_PID", "1")
	if _, every, err := Manager(); every != 0 || err != nil {
		t.Errorf("another's watchdog: %v, %v", every, err)
	}
	f := &Feeder{}
	f.Says("x")
	f.Turned(0) // nobody to tell
	f.Stopping()
}

// A manager that does not read makes the queue full. The feeder never waits,
// says so, and tells what is still true once there is room.
func TestManagerThatDoesNotRead(t *testing.T) {
	c, s, every := manager(t, "1000")
	f := &Feeder{Manager: s, Interval: every}
	for i := range 20000 {
		f.Turned(time.Duration(i) * time.Millisecond)
	}
	n, err := f.Trouble()
	if n == 0 || !errors.Is(err, unix.EAGAIN) {
		t.Fatalf("%d failures, the last %v: the queue never filled", n, err)
	}
	f.Says("STILL HERE")
	f.Turned(20000 * time.Millisecond)
	told(t, c)
	f.Turned(20001 * time.Millisecond)
	if got := told(t, c); !slices.Equal(got, []string{"WATCHDOG=1", "STATUS=STILL HERE"}) {
		t.Errorf("with room again told %q", got)
	}
}

// The manager goes away and comes back under the same name, as on a restart of
// its own.
func TestManagerThatComesBack(t *testing.T) {
	c, s, every := manager(t, "1000000")
	f := &Feeder{Manager: s, Interval: every}
	f.Turned(0)
	path := c.LocalAddr().String()
	must(t, c.Close())
	_ = os.Remove(path)
	f.Turned(time.Second)
	if n, _ := f.Trouble(); n == 0 {
		t.Error("nobody listens, and nothing failed")
	}
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	must(t, err)
	defer c.Close()
	f.Turned(1001 * time.Millisecond)
	if got := told(t, c); !slices.Equal(got, []string{"WATCHDOG=1"}) {
		t.Errorf("told %q", got)
	}
}

func TestFeederAllocatesNothing(t *testing.T) {
	_, s, every := manager(t, "1000")
	now := time.Duration(0)
	path := filepath.Join(t.TempDir(), "watchdog")
	must(t, os.WriteFile(path, nil, 0o600))
	d, timeout, err := OpenDevice(path, 4*time.Second)
	if !errors.Is(err, ErrNoWatchdog) {
		t.Fatal(err)
	}
	defer d.Close()
	f := &Feeder{Manager: s, Interval: every, Device: d, Timeout: timeout}
	f.Says("RELAY OPEN")
	if n := testing.AllocsPerRun(2000, func() { now += time.Second; f.Says("LIVE"); f.Turned(now) }); n > 0 {
		t.Errorf("%v allocations a turn", n)
	}
}

// fakeDevice is a device that fails when told to.
type fakeDevice struct {
	fed  []int
	fail error
}

func (d *fakeDevice) Feed() error   { d.fed = append(d.fed, 1); return d.fail }
func (d *fakeDevice) Disarm() error { return nil }
func (d *fakeDevice) Close() error  { return nil }

func TestFeederFeedsTheDevice(t *testing.T) {
	d := &fakeDevice{}
	f := &Feeder{Device: d, Timeout: 4 * time.Second}
	for now := time.Duration(0); now < 4*time.Second; now += 10 * time.Millisecond {
		f.Turned(now)
	}
	if len(d.fed) != 4 {
		t.Errorf("fed %d times in one timeout, want 4", len(d.fed))
	}
	// A feed that fails is tried again at the next turn.
	d.fail = errors.New("no")
	f.Turned(4 * time.Second)
	f.Turned(4010 * time.Millisecond)
	if n, err := f.Trouble(); n != 2 || len(d.fed) != 6 || err == nil {
		t.Errorf("%d failures, %d feeds", n, len(d.fed))
	}
}

// What the kernel's watchdog would see: any byte feeds, only a V just before
// the close disarms.
func TestDeviceWritesAVOnlyToDisarm(t *testing.T) {
	path := filepath.Join(t.TempDir(), "watchdog")
	for _, disarm := range []bool{false, true} {
		must(t, os.WriteFile(path, nil, 0o600))
		d, _, err := OpenDevice(path, 5*time.Second)
		if !errors.Is(err, ErrNoWatchdog) {
			t.Fatalf("a plain file passed as a watchdog: %v", err)
		}
		must(t, d.Feed())
		must(t, d.Feed())
		if disarm {
			must(t, d.Disarm())
		} else {
			must(t, d.Close())
		}
		got, err := os.ReadFile(path)
		must(t, err)
		if bytes.HasSuffix(got, []byte("V")) != disarm || bytes.Count(got, []byte("V")) > 1 || len(got) < 2 {
			t.Errorf("disarm %v: wrote %q", disarm, got)
		}
	}
	if _, _, err := OpenDevice(filepath.Join(t.TempDir(), "none"), 5*time.Second); err == nil {
		t.Error("a watchdog that is not there was opened")
	}
}

func BenchmarkTurned(b *testing.B) {
	for _, c := range []struct {
		name string
		read bool
	}{{"read", true}, {"unread", false}} {
		b.Run(c.name, func(b *testing.B) {
			conn, s, every := manager(b, "1000")
			if c.read {
				go func() {
					buf := make([]byte, 512)
					for {
						if _, err := conn.Read(buf); err != nil {
							return
						}
					}
				}()
			}
			f := &Feeder{Manager: s, Interval: every}
			now, worst := time.Duration(0), time.Duration(0)
			for b.Loop() {
				now += time.Second
				from := time.Now()
				f.Turned(now)
				worst = max(worst, time.Since(from))
			}
			b.ReportMetric(float64(worst.Microseconds()), "worst-us")
		})
	}
}
