//go:build linux

package deploy

import (
	"bufio"
	"bytes"
	"flag"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"downhaul/rules/architecture"
)

var fromOlder = flag.Bool("older", false, "upgrade from the package of an older commit, which is built first; some minutes")

// day is the folder in the system in which the older program's guard worked.
const day = "/var/lib/downhaul/day"

// A pad goes on over an upgrade from an older program: its files are taken, every session that
// was left verifies, replays and gives a report, the next guard comes up tripped behind what it
// does not know and goes on behind its own, and no byte of a record changes. The older program,
// put back, starts or says what to do.
//
//	go test ./deploy -run TestUpgradeFromOlder -v -older
func TestUpgradeFromOlder(t *testing.T) {
	if !*fromOlder {
		t.Skip("builds the package of an older commit; only with -older")
	}
	_, next := built(t)
	for _, c := range []struct {
		commit string
		// first is what the first start behind the upgrade says of what it found, empty where
		// it has nothing to say; back is what the older program says where it is put back.
		first, back string
	}{
		// It leaves no note of the last session.
		{commit: "a271e10", first: "they are from an older version of this program; look into it", back: "DANGER: TRIPPED"},
	} {
		t.Run(c.commit, func(t *testing.T) {
			old := builtAt(t, c.commit)
			s := newSystem(t)
			s.does("--install", old)
			says(t, "the older demo", s.runs("downhaul", "demo", "--fast", "--out", day), "replay equals live")
			says(t, "the older guard", s.guards(), "ended; relay open")
			before := s.bytes(day)
			sessions := s.sessions()
			if len(sessions) != 2 {
				t.Fatalf("the older program left the sessions %v", sessions)
			}

			s.does("--install", next)
			says(t, "check", s.runs("downhaul", "check", day+"/pad.toml", day+"/envelope.toml", day+"/card.toml"), "no fault and")
			for _, folder := range sessions {
				says(t, "verify", s.runs("downhaul", "verify", folder), folder+": whole")
				replay := s.runs("downhaul", "replay", folder)
				if !strings.Contains(replay, "replay equals live") {
					says(t, "replay", replay, "replay it with the program that recorded it")
				}
				says(t, "report", s.runs("downhaul", "report", "--out", "/tmp/report", folder), "The trip log is whole")
				must(t, os.RemoveAll(s.path("/tmp/report")))
			}
			first, second := s.guards(), s.guards()
			says(t, "the first start", first, "Not ready because")
			says(t, "the first start", first, c.first)
			if (c.first != "") != strings.Contains(first, "TRIPPED") {
				t.Errorf("the first start: %s", first)
			}
			for _, said := range []string{first, second} {
				says(t, "a start", said, "ended; relay open")
			}
			if strings.Contains(second, "older version") {
				t.Errorf("what the first start told is told again: %s", second)
			}
			after := s.bytes(day)
			for name, text := range before {
				if got, ok := after[name]; !ok || !bytes.Equal(got, text) {
					t.Errorf("%s: there %v, and changed", name, ok)
				}
			}
			s.does("--install", old)
			back := s.guards()
			says(t, "the older program, put back,", back, c.back)
			t.Logf("from %s: %d sessions, %d files of theirs and of the day unchanged", c.commit, len(sessions), len(before))
			t.Logf("the first start: %s", first)
			t.Logf("the older program, put back: %s", back)
		})
	}
}

// builtAt gives the package of an older commit of this checkout.
func builtAt(t *testing.T, commit string) string {
	t.Helper()
	needTools(t, "git", "tar", "bash", "go", "dpkg-deb", "gzip")
	dir := t.TempDir()
	archive := exec.Command("git", "-c", "safe.directory=*", "-C", "..", "archive", "--output="+dir+"/tree.tar", commit)
	architecture.Want(t, archive.Run() == nil, "this checkout does not reach back to commit "+commit)
	output(t, dir, nil, "tar", "-xf", "tree.tar")
	// Its modules may be others than today's: they may come over the network.
	return strings.TrimSpace(output(t, dir, []string{"DOWNHAUL_COMMIT=" + commit, "SOURCE_DATE_EPOCH=1900000000"}, "bash", "deploy/build", "--out", "dist", "amd64"))
}

// command is a program in the system.
func (s *system) command(args ...string) *exec.Cmd {
	cmd := exec.Command("chroot", append([]string{s.root}, args...)...)
	cmd.Env = []string{"PATH=/usr/bin:/usr/sbin", "LC_ALL=C", "HOME=/tmp"}
	return cmd
}

// runs runs a program in the system and gives what it printed, with its exit code behind.
func (s *system) runs(args ...string) string {
	s.t.Helper()
	cmd := s.command(args...)
	out, err := cmd.CombinedOutput()
	if cmd.ProcessState == nil {
		s.t.Fatalf("%v: %v", args, err)
	}
	return string(out) + cmd.ProcessState.String()
}

// guards starts the installed guard on the day's files, asks it for its status once it
// answers, ends it as a service is ended, and gives what it printed and that status.
func (s *system) guards() string {
	s.t.Helper()
	guard := "downhauld-bench"
	if !s.has("usr/bin/"+guard) && !s.has("usr/sbin/"+guard) {
		guard = "downhauld"
	}
	cmd := s.command(guard, "--pad", day+"/pad.toml")
	var said strings.Builder
	out, err := cmd.StdoutPipe()
	must(s.t, err)
	cmd.Stderr = cmd.Stdout
	must(s.t, cmd.Start())
	late := time.AfterFunc(time.Minute, func() { _ = cmd.Process.Kill() })
	defer late.Stop()
	for lines := bufio.NewScanner(out); lines.Scan(); {
		said.WriteString(lines.Text() + "\n")
		if strings.Contains(lines.Text(), ": session /") {
			said.WriteString(s.runs("downhaul", "status", "--socket", day+"/guard.sock"))
			must(s.t, cmd.Process.Signal(syscall.SIGTERM))
		}
	}
	_ = cmd.Wait()
	return said.String() + cmd.ProcessState.String()
}

// sessions are the folders of the sessions of the day.
func (s *system) sessions() (out []string) {
	names, err := filepath.Glob(s.path(day + "/*/session.json"))
	must(s.t, err)
	for _, name := range names {
		out = append(out, "/"+strings.TrimPrefix(filepath.Dir(name), s.root+"/"))
	}
	return out
}

// bytes is what every file below a folder holds, but for the lock and the note of the last
// session, which every start writes anew.
func (s *system) bytes(folder string) map[string][]byte {
	s.t.Helper()
	all := map[string][]byte{}
	must(s.t, filepath.WalkDir(s.path(folder), func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() || d.Name() == ".lock" || d.Name() == ".last-session.json" {
			return err
		}
		all[path], err = os.ReadFile(path)
		return err
	}))
	return all
}
