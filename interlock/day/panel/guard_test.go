package panel

import (
	"context"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"downhaul/interlock/day/guard"
	"downhaul/interlock/model/benchboard"
)

// realGuard opens a guard with a virtual board, its records and its socket in
// a short folder (socket paths may not be long).
func realGuard(t testing.TB) (g *guard.Guard, socket string) {
	t.Helper()
	dir, err := os.MkdirTemp("", "dh")
	must(t, err)
	t.Cleanup(func() { os.RemoveAll(dir) })
	c, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	must(t, err)
	port := c.LocalAddr().String()
	must(t, c.Close())
	read := func(name string, fill ...string) guard.File {
		text, err := os.ReadFile(filepath.Join("..", "guard", "testdata", name))
		must(t, err)
		return guard.File{Name: name, Text: []byte(strings.NewReplacer(fill...).Replace(string(text)))}
	}
	g, err = guard.Open(guard.Files{
		Pad: read("pad.toml", "@FOLDER@", dir, "127.0.0.1:40123", port, "[board]\nkind = \"virtual\"\n",
			"[board]\nkind = \"virtual\"\nsocket = \""+dir+"/board.sock\"\nstale_after = \"2 s\"\n\n[watchdog]\nlongest_gap = \"2 s\"\n"),
		Envelope: read("tilt.toml"),
	}, guard.Options{Virtual: benchboard.Open, Software: "test", Room: 1})
	must(t, err)
	return g, filepath.Join(dir, "guard.sock")
}

// running runs a guard until the test ends or stop is called.
func running(t testing.TB, g *guard.Guard) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- g.Run(ctx) }()
	stopped := false
	stop = func() {
		if !stopped {
			stopped = true
			cancel()
			must(t, <-done)
		}
	}
	t.Cleanup(stop)
	return stop
}
