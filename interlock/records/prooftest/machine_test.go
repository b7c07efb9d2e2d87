package prooftest

import (
	"encoding/hex"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/pad"
)

// A kernel that numbers its chips otherwise puts other pins behind the same pad file: tests
// that were passed before are due again, and it is said where they were made. The layout of
// the links is that of Linux (Documentation/ABI/testing/sysfs-bus-iio, sysfs-bus-i2c, and
// the bus folders that sysfs.rst describes); the paths are of a Raspberry Pi 4, from memory.
func TestRenumberedDevicesMakeTestsDueAgain(t *testing.T) {
	text, err := os.ReadFile("../../../deploy/pad.example.toml")
	if err != nil {
		t.Fatal(err)
	}
	p, faults := pad.Read("pad.toml", text)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	chip := ""
	for _, l := range p.Board.Lines {
		if c, _, ok := strings.Cut(l.Pin, ":"); ok {
			chip = c
		}
	}
	sysfs := func(links map[string]string) string {
		dir, err := filepath.EvalSymlinks(t.TempDir())
		if err != nil {
			t.Fatal(err)
		}
		for at, to := range links {
			to = filepath.Join(dir, "devices", to)
			at = filepath.Join(dir, "bus", at)
			for _, d := range []string{to, filepath.Dir(at)} {
				if err := os.MkdirAll(d, 0o755); err != nil {
					t.Fatal(err)
				}
			}
			if err := os.Symlink(to, at); err != nil {
				t.Fatal(err)
			}
		}
		return "machine 0011" + devices(dir, p)
	}
	before := sysfs(map[string]string{"gpio/devices/" + chip: "platform/soc/fe200000.gpio/" + chip, "i2c/devices/i2c-1": "platform/soc/fe804000.i2c/i2c-1"})
	after := sysfs(map[string]string{"gpio/devices/" + chip: "platform/soc/soc:firmware/soc:firmware:gpio/" + chip, "i2c/devices/i2c-1": "platform/soc/fe804000.i2c/i2c-1"})
	if !strings.Contains(before, "; "+chip+" on platform/soc/fe200000.gpio") {
		t.Fatalf("the board is %q", before)
	}
	now := time.Date(2031, 5, 1, 9, 0, 0, 0, time.UTC)
	record := func(machine string) []*Record {
		return []*Record{{Made: now.Add(-time.Hour), Pad: PadFile{SHA256: hex.EncodeToString(p.Hash[:])}, Board: BoardID{Machine: machine},
			Tests: []Result{{Test: Chain, Outcome: Passed, At: now.Add(-time.Hour)}}}}
	}
	for _, c := range []struct {
		made, here string
		counts     bool
	}{
		{before, before, true},
		{before, after, false},
		{"machine 0011", before, true}, // from before devices were noted
		{"machine 0022", before, false},
		{"machine 001", before, false},
	} {
		s := Stand(p, record(c.made), now, c.here)
		due := true
		for _, proof := range s.Proofs {
			if proof.Test == Chain {
				due = proof.Due()
			}
		}
		if due == c.counts || (s.Elsewhere == "") != c.counts || !c.counts && s.Elsewhere != c.made {
			t.Errorf("made on %q, here %q: due %v, elsewhere %q", c.made, c.here, due, s.Elsewhere)
		}
		if PassedSince(p, record(c.made), c.here, Chain, 0) != c.counts {
			t.Errorf("made on %q, here %q: counts for the ledger: %v", c.made, c.here, !c.counts)
		}
	}
}
