package hw

import (
	"errors"
	"os"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// Every refusal names the line and the mend, and leaves nothing held.
func TestRefusalsNameLineAndMend(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*GPIOConfig, *fakeKernel)
		want   string
	}{
		{"busy", func(_ *GPIOConfig, k *fakeKernel) { k.chips["gpiochip0"].heldBy[27] = "spi0 CS0" },
			`heartbeat on gpiochip0:27: the line is held by "spi0 CS0" (device or resource busy); stop that, or use another line`},
		{"busy input", func(_ *GPIOConfig, k *fakeKernel) { k.chips["gpiochip0"].heldBy[19] = "keys" },
			`reset on gpiochip0:19: the line is held by "keys" (device or resource busy); stop that, or use another line`},
		{"busy lamp", func(_ *GPIOConfig, k *fakeKernel) { k.chips["gpiochip0"].heldBy[23] = "led" },
			`lamp on gpiochip0:23: the line is held by "led" (device or resource busy); stop that, or use another line`},
		{"no chip", func(c *GPIOConfig, _ *fakeKernel) { c.Relay = Pin{Chip: "gpiochip9"} },
			`relay on gpiochip9:0: open /dev/gpiochip9: no such file or directory; there is no such chip, see /dev/gpiochip*`},
		{"not allowed", func(_ *GPIOConfig, k *fakeKernel) {
			k.openErr = &os.PathError{Op: "open", Path: "/dev/gpiochip0", Err: unix.EACCES}
		},
			`relay on gpiochip0:17: open /dev/gpiochip0: permission denied; put the user that runs the guard in the group that owns the chip`},
		{"no such line", func(c *GPIOConfig, _ *fakeKernel) { c.Heartbeat.Line = 32 },
			`heartbeat on gpiochip0:32: the chip has lines 0 to 31; look up the line on the board's own chart`},
		{"negative line", func(c *GPIOConfig, _ *fakeKernel) { c.Heartbeat.Line = -1 },
			`heartbeat on gpiochip0:-1: the chip has lines 0 to 31; look up the line on the board's own chart`},
		{"no such name", func(c *GPIOConfig, _ *fakeKernel) { c.Relay = Pin{Chip: "gpiochip0", Name: "GPIO99"} },
			`relay on gpiochip0:GPIO99: no line of the chip has that name; write the number, from 0 to 31`},
		{"name twice", func(c *GPIOConfig, k *fakeKernel) {
			c.Relay = Pin{Chip: "gpiochip0", Name: "NC"}
			k.chips["gpiochip0"].names[3], k.chips["gpiochip0"].names[9] = "NC", "NC"
		},
			`relay on gpiochip0:NC: two lines have that name (3 and 9); write the number`},
		{"one line twice", func(c *GPIOConfig, k *fakeKernel) {
			k.chips["gpiochip0"].names[17] = "GPIO17"
			c.Inputs[0].Pin = Pin{Chip: "gpiochip0", Name: "GPIO17"}
		},
			`estop_a on gpiochip0:GPIO17: relay has the same line; give each a line of its own`},
		{"one chip under two names", func(c *GPIOConfig, k *fakeKernel) {
			k.chips["gpiochip4"] = k.chips["gpiochip0"]
			c.Inputs[0].Pin = Pin{Chip: "gpiochip4", Line: 17}
		},
			`estop_a on gpiochip4:17: relay has the same line; give each a line of its own`},
		{"no debounce", func(_ *GPIOConfig, k *fakeKernel) { k.chips["gpiochip0"].refuse[26] = unix.ENXIO },
			`start on gpiochip0:26: no such device or address; the chip is gone, or the line has no interrupt that it needs for edges and debounce: plug it in, or use a line of the computer's own`},
		{"no edges", func(_ *GPIOConfig, k *fakeKernel) { k.chips["gpiochip0"].refuse[21] = unix.EINVAL },
			`anemometer on gpiochip0:21: invalid argument; the chip cannot do what the line needs, use another chip`},
		{"old kernel", func(_ *GPIOConfig, k *fakeKernel) { k.chips["gpiochip0"].refuse[17] = unix.ENOTTY },
			`relay on gpiochip0:17: inappropriate ioctl for device; that is no GPIO chip, or the kernel is older than 5.10`},
		{"no converter", func(c *GPIOConfig, _ *fakeKernel) {
			c.LoadCell = LoadCellConfig{Fitted: true, Raw: "/nonexistent/in_voltage0_raw", Rate: 80}
		},
			`load cell: open /nonexistent/in_voltage0_raw: no such file or directory; look for the converter's channel under /sys/bus/iio/devices`},
	} {
		t.Run(c.name, func(t *testing.T) {
			cfg, k := testBoard(t), newFakeKernel(t, 32, "gpiochip0", "gpiochip1")
			c.change(&cfg, k)
			free := map[string][]string{}
			for name, chip := range k.chips {
				free[name] = append([]string(nil), chip.heldBy...)
			}
			_, err := openGPIO(cfg, fakeParts(k))
			if err == nil || err.Error() != c.want {
				t.Errorf("got  %v\nwant %s", err, c.want)
			}
			for name, chip := range k.chips {
				for l, who := range chip.heldBy {
					if who != free[name][l] {
						t.Errorf("%s:%d stays held by %q", name, l, who)
					}
				}
				if chip.opened != 0 {
					t.Errorf("%s stays open", name)
				}
			}
		})
	}
}

func TestABadConfigIsRefusedWhole(t *testing.T) {
	cfg := GPIOConfig{
		Inputs:     append(make([]GPIOInput, 32), GPIOInput{Name: "reset", Debounce: 2 * time.Second}),
		Anemometer: GPIOInput{Name: "anemometer", Debounce: time.Millisecond},
		LoadCell:   LoadCellConfig{Fitted: true, Rate: 79},
	}
	_, err := OpenGPIO(cfg)
	if err == nil {
		t.Fatal("it was taken")
	}
	for _, want := range []string{"no clock", "at most 32 lines", "the relay has no line", "the heartbeat has no line", "reset: the debounce", "an anemometer has no debounce", "NAU7802 makes 10, 20"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("nothing said of %q in %v", want, err)
		}
	}
	for _, c := range []LoadCellConfig{{Fitted: true}, {Fitted: true, Rate: 2000, Raw: "x"}, {Fitted: true, Rate: 80, NAU7802: -1}} {
		if c.check() == nil {
			t.Errorf("%+v was taken", c)
		}
	}
}

// A real open of a chip that is not there must be told as such, whatever
// machine runs this.
func TestNoChipOnThisComputer(t *testing.T) {
	cfg := testBoard(t)
	for _, p := range []*Pin{&cfg.Relay, &cfg.Heartbeat} {
		p.Chip = "gpiochip987"
	}
	if b, err := OpenGPIO(cfg); err == nil || !errors.Is(err, unix.ENOENT) || b != nil {
		t.Errorf("got %v, %v", b, err)
	}
}
