package main

import (
	"bufio"
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// page ADDRESS SOCKET runs "downhaul panel" on that address, reads its events
// for a second as a browser would, ends it as control-C would, and gives what
// was read as standard output.
func page(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: page ADDRESS SOCKET")
	}
	program, err := exec.LookPath("downhaul")
	ts.Check(err)
	cmd := exec.Command(program, "panel", "--listen", args[0], "--socket", ts.MkAbs(args[1]))
	out, err := cmd.StdoutPipe()
	ts.Check(err)
	ts.Check(cmd.Start())
	defer func() { _ = cmd.Process.Kill() }()
	line, err := bufio.NewReader(out).ReadString('\n')
	ts.Check(err)
	url := regexp.MustCompile(`http://\S+/`).FindString(line)
	if url == "" {
		ts.Fatalf("no address in %q", line)
	}
	client := http.Client{Timeout: 20 * time.Second}
	answer, err := client.Get(url + "events")
	ts.Check(err)
	defer answer.Body.Close()
	var read strings.Builder
	in := bufio.NewScanner(answer.Body)
	in.Buffer(nil, 1<<20)
	// The first frame may come before the guard was asked; later ones count.
	for end := time.Now().Add(time.Second); in.Scan() && (time.Now().Before(end) || !strings.Contains(read.String(), "event: wind")); {
		read.WriteString(in.Text() + "\n")
	}
	ts.Check(cmd.Process.Signal(os.Interrupt))
	ts.Check(cmd.Wait())
	_, err = ts.Stdout().Write([]byte(read.String()))
	ts.Check(err)
}
