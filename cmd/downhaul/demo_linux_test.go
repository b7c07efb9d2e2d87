package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// A desk computer with other work leaves a program alone for a second at a
// time. The live demo bears that: here its process is stopped again and again
// up to the hover, where a guard with the computer's own clock trips.
func TestDemo_BearsABusyComputer(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute; left out by -short")
	}
	t.Parallel()
	var out printing
	cmd := exec.Command("downhaul", "demo", "--out", filepath.Join(t.TempDir(), "day"))
	cmd.Stdout, cmd.Stderr = &out, &out
	must(t, cmd.Start())
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	for until := time.Now().Add(3 * time.Minute); !strings.Contains(out.String(), "Hovers at 2 m"); {
		if time.Now().After(until) {
			must(t, cmd.Process.Kill())
			t.Fatalf("no hover within three minutes:\n%s", out.String())
		}
		must(t, cmd.Process.Signal(syscall.SIGSTOP))
		time.Sleep(1200 * time.Millisecond)
		must(t, cmd.Process.Signal(syscall.SIGCONT))
		select {
		case err := <-ended:
			t.Fatalf("the demo ended early, %v:\n%s", err, out.String())
		case <-time.After(1500 * time.Millisecond):
		}
	}
	held := out.String() // ending the guard over a craft in the air takes its power off
	must(t, cmd.Process.Signal(os.Interrupt))
	<-ended
	if strings.Contains(held, "Power off now") {
		t.Errorf("it tripped:\n%s", out.String())
	}
}
