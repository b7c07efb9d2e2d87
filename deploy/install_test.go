//go:build linux

package deploy

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"downhaul/interlock/day/answers/told"
	"downhaul/rules/architecture"
)

// system is a folder that is enough of a system for packages to be installed
// into: a shell, the few tools that the packages' scripts use, and dpkg's lists.
type system struct {
	t    *testing.T
	root string
}

// inside are the programs that the scripts may find in the system.
var inside = []string{"sh", "mkdir", "chmod", "chown", "rm", "rmdir", "tr", "grep", "cat", "getent", "systemd-sysusers", "systemd-tmpfiles"}

var library = regexp.MustCompile(`/\S+`)

func newSystem(t *testing.T) *system {
	t.Helper()
	architecture.Want(t, os.Geteuid() == 0, "only root can install a package into a folder with its scripts")
	needTools(t, append([]string{"dpkg", "dpkg-query", "chroot", "ldd"}, inside...)...)
	s := &system{t, t.TempDir()}
	for _, d := range []string{"usr/bin", "usr/sbin", "usr/lib", "usr/lib64", "etc", "var/lib/dpkg/info", "var/lib/dpkg/updates", "var/lib/dpkg/triggers", "var/log", "run", "dev", "tmp", "proc"} {
		must(t, os.MkdirAll(s.path(d), 0o755))
	}
	for _, d := range []string{"bin", "sbin", "lib", "lib64"} {
		must(t, os.Symlink("usr/"+d, s.path(d)))
	}
	s.write("etc/passwd", "root:x:0:0:root:/root:/bin/sh\n")
	s.write("etc/group", "root:x:0:\ndialout:x:20:\n")
	s.write("etc/nsswitch.conf", "passwd: files\ngroup: files\n")
	for _, name := range []string{"var/lib/dpkg/status", "var/lib/dpkg/available", "dev/null"} {
		s.write(name, "")
	}
	for _, name := range inside {
		from, err := exec.LookPath(name)
		must(t, err)
		s.copy(from, "usr/bin/"+name)
		for _, lib := range library.FindAllString(output(t, ".", nil, "ldd", from), -1) {
			s.copy(strings.TrimSuffix(lib, ":"), lib)
		}
	}
	return s
}

func (s *system) path(name string) string { return filepath.Join(s.root, name) }

func (s *system) write(name, text string) {
	s.t.Helper()
	must(s.t, os.MkdirAll(filepath.Dir(s.path(name)), 0o755))
	must(s.t, os.WriteFile(s.path(name), []byte(text), 0o644))
}

func (s *system) copy(from, to string) {
	s.t.Helper()
	text, err := os.ReadFile(from)
	must(s.t, err)
	must(s.t, os.MkdirAll(filepath.Dir(s.path(to)), 0o755))
	must(s.t, os.WriteFile(s.path(to), text, 0o755))
}

// dpkg runs it on the system and gives what it said.
func (s *system) dpkg(args ...string) (string, error) {
	s.t.Helper()
	// dpkg asks for a few programs that its own scripts would use.
	cmd := exec.Command("dpkg", append([]string{"--root=" + s.root, "--force-unsafe-io", "--force-bad-path", "--force-confold"}, args...)...)
	cmd.Env = append(os.Environ(), "LC_ALL=C", "DEBIAN_FRONTEND=noninteractive")
	out, err := cmd.CombinedOutput()
	return string(out), err
}

// does runs dpkg and fails the test where dpkg fails.
func (s *system) does(args ...string) string {
	s.t.Helper()
	out, err := s.dpkg(args...)
	if err != nil {
		s.t.Fatalf("dpkg %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return out
}

func (s *system) version() string {
	cmd := exec.Command("dpkg-query", "--admindir="+s.path("var/lib/dpkg"), "--show", "--showformat=${Version} ${db:Status-Status}", "downhaul")
	out, _ := cmd.Output()
	return string(out)
}

func (s *system) has(name string) bool {
	_, err := os.Lstat(s.path(name))
	return err == nil
}

// owned is what the crew and the guard wrote; none of it came by a package.
var owned = []string{
	"etc/downhaul/pad.toml", "etc/downhaul/envelope.toml", "etc/downhaul/card.toml",
	"var/lib/downhaul/20310501T090000Z/trips.jsonl", "var/lib/downhaul/commission/20310501T080000Z.json",
}

func (s *system) crewWrites() {
	s.t.Helper()
	for _, name := range owned {
		s.write(name, "theirs: "+name+"\n")
	}
}

// keeps checks that the crew's files are there, byte for byte.
func (s *system) keeps(after string, names []string) {
	s.t.Helper()
	for _, name := range names {
		text, err := os.ReadFile(s.path(name))
		if err != nil || string(text) != "theirs: "+name+"\n" {
			s.t.Errorf("after %s, %s: %v %q", after, name, err, text)
		}
	}
}

var sender = regexp.MustCompile(`(?m)^downhaul: `)

// says checks that a text holds words, wherever its lines are broken.
func says(t *testing.T, what, text, words string) {
	t.Helper()
	plain := strings.Join(strings.Fields(sender.ReplaceAllString(text, "")), " ")
	if !strings.Contains(plain, words) {
		t.Errorf("%s does not say %q:\n%s", what, words, text)
	}
}

// The life of a package on a board: what the crew wrote and what the guard
// recorded outlives everything but a purge, and the records that as well.
func TestPackageInstallsUpgradesAndGoes(t *testing.T) {
	first, next := built(t)
	s := newSystem(t)

	out := s.does("--install", first)
	says(t, "the first installation", out, "nothing was started")
	group, err := os.ReadFile(s.path("etc/group"))
	must(t, err)
	if !regexp.MustCompile(`(?m)^downhaul:`).Match(group) || !regexp.MustCompile(`(?m)^dialout:.*\bdownhaul\b`).Match(group) {
		t.Errorf("groups:\n%s", group)
	}
	id := strings.Fields(output(t, ".", nil, "chroot", s.root, "getent", "passwd", "downhaul"))
	if len(id) == 0 || !strings.Contains(strings.Join(id, " "), ":/var/lib/downhaul:/usr/sbin/nologin") {
		t.Errorf("the user is %v", id)
	}
	for _, name := range []string{"var/lib/downhaul", "run/downhaul"} {
		info, err := os.Stat(s.path(name))
		must(t, err)
		if info.Mode().Perm() != 0o750 {
			t.Errorf("%s has mode %v", name, info.Mode())
		}
		if owner := output(t, ".", nil, "stat", "--format=%u:%g", s.path(name)); strings.HasPrefix(owner, "0:") || strings.Contains(owner, ":0") {
			t.Errorf("%s belongs to %s", name, owner)
		}
	}
	for _, name := range []string{"etc/systemd/system/multi-user.target.wants/downhauld.service", "etc/downhaul/pad.toml"} {
		if s.has(name) {
			t.Errorf("the installation made %s: it must enable nothing and write no file of the crew's", name)
		}
	}

	s.crewWrites()
	s.write("etc/default/downhaul", "DOWNHAUL_PANEL_LISTEN=192.0.2.1:8047\n")
	s.does("--install", next)
	s.keeps("an upgrade", owned)
	if got := s.version(); got != "0.99.0 installed" {
		t.Errorf("after an upgrade: %s", got)
	}
	if text, _ := os.ReadFile(s.path("etc/default/downhaul")); !strings.Contains(string(text), "192.0.2.1") {
		t.Errorf("the upgrade took a changed configuration file: %s", text)
	}

	s.refusesWhileClosed(first)

	s.does("--remove", "downhaul")
	s.keeps("a removal", owned)
	if s.has("usr/sbin/downhauld") || s.has("usr/lib/systemd/system/downhauld.service") {
		t.Error("a removal left the program")
	}

	out = s.does("--purge", "downhaul")
	says(t, "the purge", out, "KEPT /var/lib/downhaul")
	says(t, "the purge", out, "removed /etc/downhaul")
	s.keeps("a purge", owned[3:])
	for _, name := range []string{"etc/downhaul", "etc/default/downhaul", "run/downhaul"} {
		if s.has(name) {
			t.Errorf("a purge left %s", name)
		}
	}
	if got := s.version(); strings.Contains(got, "installed") {
		t.Errorf("after a purge: %s", got)
	}
}

// The service manager's own programs make the same user and folders of the
// files that it reads at every boot.
func TestUserAndFoldersAtBoot(t *testing.T) {
	s := newSystem(t)
	for _, tool := range [][]string{{"systemd-sysusers", "sysusers.conf"}, {"systemd-tmpfiles", "tmpfiles.conf", "--create"}} {
		path, err := filepath.Abs("systemd/" + tool[1])
		must(t, err)
		output(t, ".", nil, tool[0], append(tool[2:], "--root="+s.root, path)...)
	}
	group, err := os.ReadFile(s.path("etc/group"))
	must(t, err)
	id := regexp.MustCompile(`(?m)^downhaul:x:(\d+):`).FindSubmatch(group)
	if id == nil {
		t.Fatalf("no group:\n%s", group)
	}
	for _, name := range []string{"var/lib/downhaul", "run/downhaul"} {
		got := strings.TrimSpace(output(t, ".", nil, "stat", "--format=%a %g", s.path(name)))
		if want := "750 " + string(id[1]); got != want {
			t.Errorf("%s is %s, want %s", name, got, want)
		}
	}
}

// A purge with no record at all leaves nothing behind.
func TestPurgeWithoutRecordsLeavesNothing(t *testing.T) {
	first, _ := built(t)
	s := newSystem(t)
	s.does("--install", first)
	out := s.does("--purge", "downhaul")
	for _, name := range []string{"etc/downhaul", "etc/default/downhaul", "run/downhaul", "var/lib/downhaul"} {
		if s.has(name) {
			t.Errorf("a purge left %s", name)
		}
	}
	if strings.Contains(out, "KEPT") {
		t.Errorf("it says that it kept records, and there were none: %s", out)
	}
}

// refusesWhileClosed checks that neither an upgrade nor a removal goes on
// while the guard tells that its relay is closed.
func (s *system) refusesWhileClosed(other string) {
	t := s.t
	t.Helper()
	// The very answer of the tool, with everything else left out.
	answer, err := json.MarshalIndent(told.Status{State: "live", RelayOn: true}, "", "  ")
	must(t, err)
	program, err := os.ReadFile(s.path("usr/bin/downhaul"))
	must(t, err)
	must(t, os.WriteFile(s.path("usr/bin/downhaul"), []byte("#!/bin/sh\ncat <<'END'\n"+string(answer)+"\nEND\n"), 0o755))
	before := s.version()
	for _, args := range [][]string{{"--install", other}, {"--remove", "downhaul"}} {
		out, err := s.dpkg(args...)
		if err == nil {
			t.Errorf("dpkg %s went on while the relay was closed:\n%s", args[0], out)
		}
		says(t, "dpkg "+args[0], out, "THE RELAY IS CLOSED")
		if got := s.version(); got != before {
			t.Errorf("after a refused %s: %q, before %q", args[0], got, before)
		}
		s.keeps("a refusal", owned)
	}
	must(t, os.WriteFile(s.path("usr/bin/downhaul"), program, 0o755))
}

// A member of the crew, who is not the guard, proves the limits and reports, and what the
// next start reads of that is kept; what only the guard may write is said with the mend.
func TestCrewMemberKeepsWhatTheNextStartNeeds(t *testing.T) {
	first, _ := built(t)
	s := newSystem(t)
	s.does("--install", first)
	run := func(member bool, line string) (string, error) {
		cmd := exec.Command("chroot", s.root, "sh", "-c", line)
		if member {
			group := strings.TrimSpace(output(t, ".", nil, "stat", "--format=%g", s.path("var/lib/downhaul")))
			cmd = exec.Command("chroot", "--userspec=4711:4711", "--groups="+group, s.root, "sh", "-c", line)
		}
		cmd.Env = []string{"PATH=/usr/bin:/usr/sbin", "LC_ALL=C"}
		out, err := cmd.CombinedOutput()
		return string(out), err
	}
	does := func(member bool, line string) {
		t.Helper()
		if out, err := run(member, line); err != nil {
			t.Fatalf("%s: %v\n%s", line, err, out)
		}
	}
	does(false, "umask 027 && downhaul demo --fast --out /tmp/demo >/tmp/said; mkdir /home && chmod 1777 /home /tmp")
	pad, err := os.ReadFile(s.path("tmp/demo/pad.toml"))
	must(t, err)
	s.write("etc/downhaul/pad.toml", strings.ReplaceAll(string(pad), "/tmp/demo", "/var/lib/downhaul"))
	session := ""
	entries, err := os.ReadDir(s.path("tmp/demo"))
	must(t, err)
	for _, e := range entries {
		if _, err := os.Stat(s.path("tmp/demo/" + e.Name() + "/session.json")); err == nil {
			session = e.Name()
		}
	}
	if session == "" {
		t.Fatalf("the demo left no session: %v", entries)
	}
	does(false, "cat /tmp/demo/envelope.toml >/etc/downhaul/envelope.toml")
	must(t, os.CopyFS(s.path("var/lib/downhaul/"+session), os.DirFS(s.path("tmp/demo/"+session))))
	does(false, "chmod 0644 /etc/downhaul/*; chmod 0750 /var/lib/downhaul/"+session+"; chmod 0640 /var/lib/downhaul/"+session+"/*; chown downhaul:downhaul /var/lib/downhaul/"+session+" /var/lib/downhaul/"+session+"/*")

	out, _ := run(true, "cd /home && downhaul prove --pad /etc/downhaul/pad.toml --envelope /etc/downhaul/envelope.toml")
	if kept, _ := filepath.Glob(s.path("var/lib/downhaul/proof/0001-*.json")); len(kept) != 1 {
		t.Errorf("the proof was not kept:\n%s", out)
	}
	out, _ = run(true, "cd /home && downhaul report /var/lib/downhaul/"+session)
	says(t, "the report", out, "Page: report.html")
	says(t, "the report of what it could not note", out, "sudo -u downhaul downhaul")
	out, _ = run(true, "cd /home && downhaul verify /var/lib/downhaul/"+session)
	says(t, "verify", out, "on paper")
	out, err = run(true, "cd /home && downhaul commission --pad /etc/downhaul/pad.toml </dev/null")
	if err == nil || !strings.Contains(strings.SplitN(out, "  ", 3)[0]+out, "sudo -u downhaul downhaul") {
		t.Errorf("commission as a member: %v\n%s", err, out)
	}
}
