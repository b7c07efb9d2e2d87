package prooftest

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

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
		return "host " + name + devices("/sys", p)
	}
	sum := sha256.Sum256([]byte("downhaul board " + text))
	return "machine " + hex.EncodeToString(sum[:8]) + devices("/sys", p)
}

// devices returns where each device hangs that the kernel numbers as it comes up.
func devices(sys string, p *pad.Pad) (out string) {
	var paths []string
	for _, l := range p.Board.Lines {
		if chip, _, ok := strings.Cut(l.Pin, ":"); ok {
			paths = append(paths, sys+"/bus/gpio/devices/"+chip)
		}
	}
	if name := filepath.Base(filepath.Dir(p.LoadCell.Channel)); p.LoadCell.Channel != "" {
		paths = append(paths, sys+"/bus/iio/devices/"+name)
	} else if p.LoadCell.Fitted {
		paths = append(paths, fmt.Sprintf("%s/bus/i2c/devices/i2c-%d", sys, p.LoadCell.Bus))
	}
	slices.Sort(paths)
	for _, path := range slices.Compact(paths) {
		if to, err := filepath.EvalSymlinks(path); err == nil {
			out += "; " + filepath.Base(path) + " on " + strings.TrimPrefix(filepath.Dir(to), sys+"/devices/")
		}
	}
	return out
}
