package main

import (
	"bytes"
	"context"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// Whatever file a command takes: a pipe that nobody writes to, a device that
// never ends, a folder, forty gigabytes of nothing and links to those end it at
// once with the name and the reason, and with exit code 2.
//
//fault:row a pipe, a device, a folder or forty gigabytes stand in a file's place | refused at once with the name and the reason
func TestEveryCommandRefusesWhatIsNoFile(t *testing.T) {
	dir := t.TempDir()
	good := filepath.Join(dir, "good")
	if err := os.Mkdir(good, 0o755); err != nil {
		t.Fatal(err)
	}
	if _, err := writeDemoFiles(good, netip.MustParseAddrPort("127.0.0.1:40123")); err != nil {
		t.Fatal(err)
	}
	pad, env, card := filepath.Join(good, "pad.toml"), filepath.Join(good, "envelope.toml"), "../../deploy/card.example.toml"
	pipe, sparse := filepath.Join(dir, "pipe"), filepath.Join(dir, "sparse")
	if err := unix.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(sparse, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(sparse, 40<<30); err != nil {
		t.Fatal(err)
	}
	zero := filepath.Join(dir, "zero")
	if err := os.Symlink("/dev/zero", zero); err != nil {
		t.Fatal(err)
	}
	folder := filepath.Join(dir, "folder")
	if err := os.Mkdir(folder, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, line := range []string{
		"check BAD", "check " + pad + " BAD", "check --heard BAD " + pad, "prove --envelope BAD", "prove --envelope " + env + " --pad BAD",
		"replay --envelope BAD " + env, "replay --envelope " + env + " BAD", "replay --envelope " + env + " --pad BAD " + env,
		"compare --envelope BAD --envelope " + env + " " + env, "compare --envelope " + env + " --envelope " + env + " BAD",
		"sweep --envelope " + env + " --rule tilt --from 10deg --to 20deg BAD", "play BAD --to udp://127.0.0.1:40123",
		"tilt --card BAD --pad " + pad, "tilt --card " + card + " --pad " + pad + " BAD", "commission --pad BAD",
		"status --pad BAD", "board --pad BAD show", "declare packs --pad BAD A", "mark --pad BAD here", "verify BAD", "report BAD",
	} {
		for _, bad := range []string{pipe, zero, sparse, folder} {
			args := strings.Fields(strings.ReplaceAll(line, "BAD", bad))
			var out, errs bytes.Buffer
			code := make(chan int, 1)
			go func() {
				code <- run(context.Background(), args, &streams{strings.NewReader(""), &out, &errs})
			}()
			select {
			case got := <-code:
				says := strings.Join(strings.Fields(errs.String()), "")
				if got != couldNot || !strings.Contains(says, bad) {
					t.Errorf("%s: code %d, %s%s", strings.Join(args, " "), got, out.String(), errs.String())
				}
			case <-time.After(30 * time.Second):
				t.Fatalf("%s: does not end", strings.Join(args, " "))
			}
		}
	}
}
