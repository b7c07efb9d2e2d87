//go:build unix

// Command downhauld-bench is the guard for the bench and for rehearsals: downhauld
// joined with the virtual board. It runs every pad file that downhauld runs, and
// those with a virtual board, which downhauld refuses. What it writes for these
// is marked: no real relay was worked.
package main

import (
	"os"

	"downhaul/interlock/day/daemon"
	"downhaul/interlock/model/benchboard"
)

func main() {
	os.Exit(daemon.Run("downhauld-bench", benchboard.Open, os.Args[1:], os.Stdout, os.Stderr))
}
