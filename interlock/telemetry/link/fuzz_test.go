package link

import "testing"

// Whatever is given as a link: it is refused, or written out it is read back as
// the same.
func FuzzParse(f *testing.F) {
	for _, text := range []string{"udp://0.0.0.0:40123", "udp://[::1]:40123", "tcp://192.168.4.1:5760", "tcp://pad.local:5760", "serial:///dev/ttyUSB0?baud=57600",
		"serial:///dev/serial/by-id/usb-x%20y?baud=115200", "udp://:0", "tcp://:1", "serial://host/dev?baud=1", "http://x", "", "udp:", "tcp://[fe80::1%25eth0]:1", "serial:///a%3Fb?baud=57600",
		"tCp://[::%25\x9e]:1", "tcp://h\u00f6he:1"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		c, err := Parse(text)
		if err != nil {
			return
		}
		if again, err := Parse(c.String()); err != nil || again != c {
			t.Errorf("%q is %+v, written %q, and read back %+v, %v", text, c, c.String(), again, err)
		}
	})
}
