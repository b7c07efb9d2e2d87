package prooftest

import (
	"crypto/sha256"
	"encoding/hex"
	"os"
	"strings"

	"downhaul/interlock/pad"
	"downhaul/interlock/records/plain"
)

// Machine tells this computer from others, so that a record made on another
// board does not count here. The machine's own number is only given hashed, as
// the manual of /etc/machine-id asks.
func Machine(p *pad.Pad) string {
	if p.Board.Kind != pad.GPIO {
		return "virtual"
	}
	id, err := plain.Read("/etc/machine-id", plain.Number)
	text := strings.TrimSpace(string(id))
	if err != nil || text == "" {
		name, _ := os.Hostname()
		return "host " + name
	}
	sum := sha256.Sum256([]byte("downhaul board " + text))
	return "machine " + hex.EncodeToString(sum[:8])
}
