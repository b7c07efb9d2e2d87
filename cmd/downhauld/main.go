//go:build unix

// Command downhauld is the guard: it reads a pad file, an envelope and a test card, opens
// the devices that the pad file names, and guards until SIGTERM or SIGINT. It has no virtual
// board (downhauld-bench has) and no network listener, and sends nothing to the craft: one
// layer beside a hard-wired emergency stop and an empty pad, no certified safety component,
// and never for use with anyone aboard.
package main

import (
	"os"

	"downhaul/interlock/day/daemon"
)

func main() {
	os.Exit(daemon.Run("downhauld", nil, os.Args[1:], os.Stdout, os.Stderr))
}
