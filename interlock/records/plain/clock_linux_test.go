package plain

import (
	"errors"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// The kernel's answers are those of adjtimex(2): TIME_ERROR is 5, STA_UNSYNC 0x40.
func TestClockIsTheKernelsWord(t *testing.T) {
	for _, c := range []struct {
		state int
		t     unix.Timex
		err   error
		says  string
		set   bool
	}{
		{0, unix.Timex{Maxerror: 1500}, nil, "synchronised, to 1.5ms at worst", true},
		{5, unix.Timex{}, nil, "not synchronised", false},
		{0, unix.Timex{Status: 0x40}, nil, "not synchronised", false},
		{0, unix.Timex{}, errors.New("refused"), "not known to be set (adjtimex: refused)", false},
	} {
		if says, set := clockSays(c.state, &c.t, c.err); set != c.set || !strings.HasPrefix(says, c.says) {
			t.Errorf("state %d, status %#x: %q, %v", c.state, c.t.Status, says, set)
		}
	}
	if says, _ := Clock(); strings.Contains(says, "adjtimex") {
		t.Errorf("this kernel was not asked: %s", says)
	}
}

// The kernel's own word for how long it has been up counts sleep (proc_uptime(5)), as
// CLOCK_BOOTTIME does and the runtime's clock does not.
func TestUptimeCountsSleep(t *testing.T) {
	told := func() time.Duration {
		text, err := os.ReadFile("/proc/uptime")
		if err != nil {
			t.Fatal(err)
		}
		seconds, err := strconv.ParseFloat(strings.Fields(string(text))[0], 64)
		if err != nil {
			t.Fatal(err)
		}
		return time.Duration(seconds * float64(time.Second))
	}
	before := told()
	now := Uptime()
	if after := told(); now < before || now > after+10*time.Millisecond {
		t.Errorf("up for %v, by the kernel between %v and %v", now, before, after)
	}
}
