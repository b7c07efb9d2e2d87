package main

import (
	"strings"
	"testing"

	"downhaul/interlock/day/telemetry/link"
)

func TestParseLink(t *testing.T) {
	for text, want := range map[string]link.Config{
		"udp://0.0.0.0:40123":                        {Kind: link.UDP, Address: "0.0.0.0:40123"},
		"udp://[::1]:40123":                          {Kind: link.UDP, Address: "[::1]:40123"},
		"tcp://craft.local:40124":                    {Kind: link.TCP, Address: "craft.local:40124"},
		"serial:///dev/ttyUSB0?baud=57600":           {Kind: link.Serial, Address: "/dev/ttyUSB0", Baud: 57600},
		"serial:///dev/serial/by-id/a-b_c?baud=1200": {Kind: link.Serial, Address: "/dev/serial/by-id/a-b_c", Baud: 1200},
	} {
		got, err := parseLink(text)
		if err != nil || got != want {
			t.Errorf("%s: %+v, %v; want %+v", text, got, err, want)
		}
		if got.String() != text {
			t.Errorf("%s is written back as %s", text, got)
		}
	}
	for _, text := range []string{
		"", "udp", "udp://", "udp://host:1", "udp://1.2.3.4", "udp://1.2.3.4:1/x", "udp://1.2.3.4:1?x=1",
		"tcp://1.2.3.4", "http://1.2.3.4:80", "serial:///dev/ttyUSB0", "serial://ttyUSB0?baud=57600",
		"serial:///dev/ttyUSB0?baud=fast", "serial:///dev/ttyUSB0?baud=57600&x=1", "0.0.0.0:40123", "\x00",
	} {
		if c, err := parseLink(text); err == nil {
			t.Errorf("%q was read as %+v", text, c)
		} else if !strings.HasPrefix(err.Error(), "link: ") {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// A link that cannot be is refused with the mend.
func TestNoLinkIsRefusedWithTheMend(t *testing.T) {
	for _, c := range []struct {
		cfg  link.Config
		want string
	}{
		{link.Config{Kind: link.UDP, Address: "pad:40123"}, "in figures"},
		{link.Config{Kind: link.UDP, Address: "127.0.0.1"}, "and a port"},
		{link.Config{Kind: link.TCP, Address: "127.0.0.1:0"}, "1 to 65535"},
		{link.Config{Kind: link.TCP, Address: ":40124"}, "host"},
		{link.Config{Kind: link.TCP, Address: "127.0.0.1:70000"}, "1 to 65535"},
		{link.Config{Kind: link.Serial, Address: "ttyUSB0", Baud: 57600}, "full path"},
		{link.Config{Kind: link.Serial, Address: "/dev/null"}, "baud"},
		{link.Config{Address: "127.0.0.1:1"}, "udp, tcp or serial"},
	} {
		if err := checkLink(c.cfg); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v: %v, want it to say %q", c.cfg, err, c.want)
		}
	}
}

// Whatever is given as a link: it is refused, or written out it is read back as
// the same.
func FuzzParseLink(f *testing.F) {
	for _, text := range []string{"udp://0.0.0.0:40123", "udp://[::1]:40123", "tcp://192.0.2.1:40124", "tcp://pad.local:40124", "serial:///dev/ttyUSB0?baud=57600",
		"serial:///dev/serial/by-id/usb-x%20y?baud=115200", "udp://:0", "tcp://:1", "serial://host/dev?baud=1", "http://x", "", "udp:", "tcp://[fe80::1%25eth0]:1", "serial:///a%3Fb?baud=57600",
		"tCp://[::%25\x9e]:1", "tcp://h\u00f6he:1"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		c, err := parseLink(text)
		if err != nil {
			return
		}
		if again, err := parseLink(c.String()); err != nil || again != c {
			t.Errorf("%q is %+v, written %q, and read back %+v, %v", text, c, c.String(), again, err)
		}
	})
}
