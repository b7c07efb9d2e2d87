package prooftest

import (
	"encoding/hex"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/hw"
	"downhaul/interlock/pad"
)

// examplePad reads the example pad with changes to its text.
func examplePad(t *testing.T, changes ...string) *pad.Pad {
	t.Helper()
	text, err := os.ReadFile("../../../deploy/pad.example.toml")
	if err != nil {
		t.Fatal(err)
	}
	p, faults := pad.Read("pad.toml", []byte(strings.NewReplacer(changes...).Replace(string(text))))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	return p
}

// A computer is its links below a root, as Linux lays them, and files below their ends.
type computer struct {
	links, files map[string]string
	called       map[string][2]string // chip and line, by pin
}

func (c computer) says(t *testing.T, p *pad.Pad) string {
	t.Helper()
	dir, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	for at, to := range c.links {
		to, at = filepath.Join(dir, to), filepath.Join(dir, at)
		for _, d := range []string{to, filepath.Dir(at)} {
			if err := os.MkdirAll(d, 0o755); err != nil {
				t.Fatal(err)
			}
		}
		if err := os.Symlink(to, at); err != nil {
			t.Fatal(err)
		}
	}
	for name, text := range c.files {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return "machine 0011" + devices(dir+"/", func(p hw.Pin) (chip, line string) {
		n := c.called[p.String()]
		return n[0], n[1]
	}, p)
}

// A kernel that numbers its devices otherwise puts other pins, another converter or another
// radio behind the same pad file: tests that were passed before are due again, and it is said
// what changed. The layout of the links is that of Linux (Documentation/ABI/testing/
// sysfs-bus-iio, sysfs-bus-i2c, the bus folders that sysfs.rst describes, and the names that
// systemd's 60-serial.rules gives); the paths are of a Raspberry Pi 4, from memory.
func TestRenumberedDevicesMakeTestsDueAgain(t *testing.T) {
	const i2c, cell, net = `device = "nau7802 on i2c-1"`, `device = "iio:device0/in_voltage0_raw"`, "kind    = \"udp\"                     # or \"tcp\" with an address, or \"serial\" with device and baud\naddress = \"0.0.0.0:40123\"\n"
	radio := "kind = \"serial\"\ndevice = \"/dev/ttyUSB0\"\nbaud = 57600\n"
	from := "from    = \"192.0.2.10\""
	plain, other := examplePad(t), examplePad(t, i2c, cell, net, radio, from, "# ")
	base := func() computer {
		return computer{
			links: map[string]string{
				"sys/bus/gpio/devices/gpiochip0":  "sys/devices/platform/soc/fe200000.gpio/gpiochip0",
				"sys/bus/i2c/devices/i2c-1":       "sys/devices/platform/soc/fe804000.i2c/i2c-1",
				"sys/bus/iio/devices/iio:device0": "sys/devices/platform/soc/fe804000.i2c/i2c-1/1-0048/iio:device0",
				"dev/ttyUSB0":                     "sys/devices/usb/one",
				"dev/ttyUSB1":                     "sys/devices/usb/two",
				"dev/serial/by-id/usb-radio-A":    "sys/devices/usb/one",
				"dev/serial/by-id/usb-radio-B":    "sys/devices/usb/two",
			},
			files:  map[string]string{"sys/devices/platform/soc/fe804000.i2c/i2c-1/1-0048/iio:device0/name": "ads1015\n"},
			called: map[string][2]string{"gpiochip0:17": {"pinctrl-bcm2711", "GPIO17"}},
		}
	}
	for _, c := range []struct {
		what   string
		pad    *pad.Pad
		change func(c *computer)
		says   string // empty: it counts on
	}{
		{"nothing", plain, func(*computer) {}, ""},
		{"nothing, another pad", other, func(*computer) {}, ""},
		{"another chip", plain, func(c *computer) {
			c.links["sys/bus/gpio/devices/gpiochip0"] = "sys/devices/platform/soc/soc:firmware/soc:firmware:gpio/gpiochip0"
		}, "made when gpiochip0 was on platform/soc/fe200000.gpio; now it is on platform/soc/soc:firmware/soc:firmware:gpio"},
		{"another label", plain, func(c *computer) { c.called["gpiochip0:17"] = [2]string{"raspberrypi-exp-gpio", "GPIO17"} },
			"made when gpiochip0 was called pinctrl-bcm2711; now it is called raspberrypi-exp-gpio"},
		{"another line", plain, func(c *computer) { c.called["gpiochip0:17"] = [2]string{"pinctrl-bcm2711", "SD1_DATA0"} },
			"made when gpiochip0:17 was called GPIO17; now it is called SD1_DATA0"},
		{"another bus", plain, func(c *computer) {
			c.links["sys/bus/i2c/devices/i2c-1"] = "sys/devices/platform/soc/fe205000.i2c/i2c-1"
		}, "made when i2c-1 was on platform/soc/fe804000.i2c; now it is on platform/soc/fe205000.i2c"},
		{"another converter in its place", other, func(c *computer) {
			c.files["sys/devices/platform/soc/fe804000.i2c/i2c-1/1-0048/iio:device0/name"] = "ads1115\n"
		}, "made when iio:device0 was called ads1015; now it is called ads1115"},
		{"a converter that this pad does not use", plain, func(c *computer) {
			c.files["sys/devices/platform/soc/fe804000.i2c/i2c-1/1-0048/iio:device0/name"] = "ads1115\n"
		}, ""},
		{"radios in another order", other, func(c *computer) {
			c.links["dev/ttyUSB0"], c.links["dev/ttyUSB1"] = c.links["dev/ttyUSB1"], c.links["dev/ttyUSB0"]
		}, "made when /dev/ttyUSB0 was called usb-radio-A; now it is called usb-radio-B"},
		{"a radio that is not plugged in yet", other, func(c *computer) { delete(c.links, "dev/ttyUSB0") }, ""},
		{"a chip that may not be asked", plain, func(c *computer) { c.called = nil }, ""},
	} {
		now := base()
		c.change(&now)
		made, here := base().says(t, c.pad), now.says(t, c.pad)
		if c.says != stand(t, c.pad, made, here) || c.says != "" && stand(t, c.pad, here, made) == "" {
			t.Errorf("%s: %q\nmade on %s\nhere    %s", c.what, stand(t, c.pad, made, here), made, here)
		}
	}
	made := base().says(t, plain)
	if want := "machine 0011; gpiochip0 called pinctrl-bcm2711; gpiochip0 on platform/soc/fe200000.gpio; gpiochip0:17 called GPIO17; i2c-1 on platform/soc/fe804000.i2c"; made != want {
		t.Errorf("the machine is %q, want %q", made, want)
	}
	// A rule of the owner's own gives one port two names.
	if two := made + "; /dev/ttyUSB0 called usb-radio-A; /dev/ttyUSB0 called usb-radio-A-too"; stand(t, plain, two, two) != "" {
		t.Errorf("made on %q, here the same: %q", two, stand(t, plain, two, two))
	}
	for there, says := range map[string]string{
		"machine 0011": "", // from before devices were noted
		"machine 0011; gpiochip0 on platform/soc/fe200000.gpio; i2c-1 on platform/soc/fe804000.i2c": "",
		"machine 0022": "made on machine 0022, and this is machine 0011",
		"machine 001":  "made on machine 001, and this is machine 0011",
	} {
		if got := stand(t, plain, there, made); got != says {
			t.Errorf("made on %q: %q, want %q", there, got, says)
		}
	}
}

// stand returns why a test that was passed there does not count here, and fails the test where
// that is not what its being due says.
func stand(t *testing.T, p *pad.Pad, there, here string) string {
	t.Helper()
	now := time.Date(2031, 5, 1, 9, 0, 0, 0, time.UTC)
	records := []*Record{{Made: now.Add(-time.Hour), Pad: PadFile{SHA256: hex.EncodeToString(p.Hash[:])}, Board: BoardID{Machine: there},
		Tests: []Result{{Test: Chain, Outcome: Passed, At: now.Add(-time.Hour)}}}}
	s := Stand(p, records, now, here)
	due := slices.ContainsFunc(s.Proofs, func(proof Proof) bool { return proof.Test == Chain && proof.Due() })
	if due != (s.Elsewhere != "") || PassedSince(p, records, here, Chain, 0) == due {
		t.Errorf("made on %q, here %q: due %v, says %q", there, here, due, s.Elsewhere)
	}
	return s.Elsewhere
}
