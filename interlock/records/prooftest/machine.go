package prooftest

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"downhaul/hw"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/plain"
)

// Machine tells this computer from others, and what the numbers in the pad file stand for
// on it, so that a record made on another board, or on other pins, does not count here. The
// machine's own number is only given hashed, as the manual of /etc/machine-id asks.
func Machine(p *pad.Pad) string {
	if p.Board.Kind != pad.GPIO {
		return "virtual"
	}
	id, err := plain.Read("/etc/machine-id", plain.Number)
	text := strings.TrimSpace(string(id))
	if err != nil || text == "" {
		name, _ := os.Hostname()
		return "host " + name + devices("/", hw.Pin.Called, p)
	}
	sum := sha256.Sum256([]byte("downhaul board " + text))
	return "machine " + hex.EncodeToString(sum[:8]) + devices("/", hw.Pin.Called, p)
}

// devices returns where each device hangs that the kernel numbers as it comes up, and the names
// that stay: "; gpiochip0 on PATH; gpiochip0:17 called GPIO17". What cannot be read is left out.
func devices(root string, called func(hw.Pin) (chip, line string), p *pad.Pad) string {
	out := []string{""}
	add := func(what, how, name string) {
		if name != "" {
			out = append(out, what+how+name)
		}
	}
	hangs := func(path string) {
		if to, err := filepath.EvalSymlinks(root + path); err == nil {
			add(filepath.Base(path), " on ", strings.TrimPrefix(filepath.Dir(to), root+"sys/devices/"))
			name, _ := plain.Read(to+"/name", plain.Number)
			add(filepath.Base(path), " called ", strings.TrimSpace(string(name)))
		}
	}
	for _, l := range p.Board.Lines {
		if pin, err := hw.ParsePin(l.Pin); err == nil {
			chip, line := called(pin)
			add(pin.Chip, " called ", chip)
			add(l.Pin, " called ", line)
			hangs("sys/bus/gpio/devices/" + pin.Chip)
		}
	}
	if p.LoadCell.Channel != "" {
		hangs("sys/bus/iio/devices/" + filepath.Base(filepath.Dir(p.LoadCell.Channel)))
	} else if p.LoadCell.Fitted {
		hangs(fmt.Sprintf("sys/bus/i2c/devices/i2c-%d", p.LoadCell.Bus))
	}
	const names = "dev/serial/by-id/"
	for _, l := range p.Links {
		_ = plain.Names(root+names, func(name string) { // there is none without such ports
			of, _ := filepath.EvalSymlinks(root + names + name)
			if port, err := filepath.EvalSymlinks(root + l.Device); l.Device != "" && err == nil && of == port {
				add(l.Device, " called ", name)
			}
		})
	}
	slices.Sort(out)
	return strings.Join(slices.Compact(out), "; ")
}

// moved returns why a record that was made there does not count here, empty if it does. What
// one of the two does not tell counts as the same: a radio may be plugged in later.
func moved(there, here string) string {
	was, is := strings.Split(there, "; "), strings.Split(here, "; ")
	if was[0] != is[0] {
		return "made on " + was[0] + ", and this is " + is[0]
	}
	for _, a := range was[1:] {
		if w := strings.SplitN(a, " ", 3); len(w) == 3 && !slices.Contains(is, a) {
			same := func(b string) bool { return strings.HasPrefix(b, w[0]+" "+w[1]+" ") }
			if i := slices.IndexFunc(is, same); i >= 0 {
				return "made when " + w[0] + " was " + w[1] + " " + w[2] + "; now it is" + strings.TrimPrefix(is[i], w[0])
			}
		}
	}
	return ""
}
