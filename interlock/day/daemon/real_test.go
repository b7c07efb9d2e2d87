//go:build linux

package daemon

import (
	"errors"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// The packaged daemon has no virtual board: it says so, names the program that
// has, and begins no session.
func TestPackagedDaemonRefusesAVirtualBoard(t *testing.T) {
	t.Parallel()
	b := newTable(t, "guard", "")
	program := filepath.Join(b.dir, "downhauld")
	if out, err := exec.Command("go", "build", "-o", program, "../../../cmd/downhauld").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	for _, args := range [][]string{{"--pad", b.pad()}, {"--pad", b.pad(), "--check"}} {
		out, err := exec.Command(program, args...).CombinedOutput()
		if exit := new(exec.ExitError); !errors.As(err, &exit) || exit.ExitCode() != couldNot || !strings.Contains(string(out), "run downhauld-bench") {
			t.Errorf("%v: %v: %s", args, err, out)
		}
	}
	if left, _ := filepath.Glob(filepath.Join(b.dir, "*Z-*")); len(left) > 0 {
		t.Errorf("sessions were begun: %v", left)
	}
}
