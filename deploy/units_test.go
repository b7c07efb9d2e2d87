//go:build linux

package deploy

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"downhaul/rules/architecture"
)

// mostExposure is the worst figure of systemd-analyze security that a unit may
// have: 0 is shut, 10 is open.
const mostExposure = 2.0

var units = []string{"downhauld.service", "downhaul-panel.service"}

func TestUnitsAreShut(t *testing.T) {
	_, err := exec.LookPath("systemd-analyze")
	architecture.Need(t, err == nil, "systemd-analyze is not installed")
	figure := regexp.MustCompile(`Overall exposure level for \S+: ([0-9.]+)`)
	for _, name := range units {
		path, err := filepath.Abs("systemd/" + name)
		must(t, err)
		out := output(t, ".", []string{"LC_ALL=C", "SYSTEMD_LOG_LEVEL=warning"}, "systemd-analyze", "security", "--offline=true", "--no-pager", path)
		m := figure.FindStringSubmatch(out)
		if m == nil {
			t.Fatalf("%s: no figure in\n%s", name, out)
		}
		if got, _ := strconv.ParseFloat(m[1], 64); got > mostExposure {
			t.Errorf("%s: exposure %v, at most %v:\n%s", name, got, mostExposure, out)
		}
	}
}

// The service manager understands every line; systemd-analyze verify says so of
// a unit whose program is there.
func TestUnitsAreUnderstood(t *testing.T) {
	_, err := exec.LookPath("systemd-analyze")
	architecture.Need(t, err == nil, "systemd-analyze is not installed")
	dir := t.TempDir()
	for _, name := range units {
		text, err := os.ReadFile("systemd/" + name)
		must(t, err)
		// The programs and the manual are not on this computer.
		lines := regexp.MustCompile(`(?m)^ExecStart=\S+`).ReplaceAllString(string(text), "ExecStart=/bin/true")
		lines = regexp.MustCompile(`(?m)^Documentation=.*$`).ReplaceAllString(lines, "")
		path := filepath.Join(dir, name)
		must(t, os.WriteFile(path, []byte(lines), 0o644))
		cmd := exec.Command("systemd-analyze", "verify", path)
		cmd.Env = append(os.Environ(), "LC_ALL=C")
		out, err := cmd.CombinedOutput()
		// Units of the computer that tests run on are no business of ours.
		for line := range strings.Lines(string(out)) {
			if strings.Contains(line, name) {
				t.Errorf("%s", strings.TrimSpace(line))
			}
		}
		if err != nil && !strings.Contains(string(out), name) && len(out) == 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// settings are the last values of a unit's keys.
func settings(t *testing.T, name string) map[string]string {
	t.Helper()
	text, err := os.ReadFile("systemd/" + name)
	must(t, err)
	out := map[string]string{}
	for line := range strings.Lines(string(text)) {
		if key, value, ok := strings.Cut(strings.TrimSpace(line), "="); ok && !strings.HasPrefix(line, "#") {
			out[key] += value + "\n"
		}
	}
	return out
}

// What the daemon relies on stands in its unit: the watchdog that its loop
// feeds, the priority and the memory it asks for, a restart only after a
// failure, and no restart where trying again mends nothing.
func TestUnitGivesTheGuardWhatItAsksFor(t *testing.T) {
	s := settings(t, "downhauld.service")
	for key, want := range map[string]string{
		"Type": "notify", "WatchdogSec": "2s", "Restart": "on-failure", "RestartPreventExitStatus": "1",
		"LimitRTPRIO": "10", "LimitMEMLOCK": "infinity", "User": "downhaul", "Group": "downhaul",
		"StateDirectory": "downhaul", "RuntimeDirectory": "downhaul", "CapabilityBoundingSet": "", "NoNewPrivileges": "yes",
		"ExecStart": "/usr/sbin/downhauld --pad /etc/downhaul/pad.toml",
	} {
		if got := strings.TrimSpace(s[key]); got != want {
			t.Errorf("%s=%s, want %s", key, got, want)
		}
	}
	for _, class := range []string{"char-gpiochip rw", "char-ttyUSB rw", "char-ttyACM rw", "char-i2c rw", "/dev/watchdog w", "char-watchdog w"} {
		if !strings.Contains(s["DeviceAllow"], class+"\n") {
			t.Errorf("DeviceAllow= lacks %s", class)
		}
	}
	for _, key := range []string{"RestrictRealtime", "PrivateDevices", "PrivateNetwork"} {
		if _, set := s[key]; set {
			t.Errorf("%s= is set: the guard could not do its work", key)
		}
	}
}

// A guard that slept with its computer would go on with its edges when that wakes, and close
// the chain with nobody's start: a unit that is in conflict with sleep.target, and before it,
// is stopped before the computer sleeps (systemd.special(7), sleep.target; systemd.unit(5),
// Conflicts=).
//
//fault:row the computer is sent to sleep while the guard runs as the packaged unit | the unit is ended before, relay off first; nothing starts it again by itself
func TestUnitEndsTheGuardBeforeTheComputerSleeps(t *testing.T) {
	s := settings(t, "downhauld.service")
	for _, key := range []string{"Conflicts", "Before"} {
		if strings.TrimSpace(s[key]) != "sleep.target" {
			t.Errorf("%s=%q, want sleep.target", key, s[key])
		}
	}
}

// Nothing of what systemd-analyze still counts against the guard's unit goes without a reason
// in it.
func TestUnitExplainsWhatIsOpen(t *testing.T) {
	_, err := exec.LookPath("systemd-analyze")
	architecture.Need(t, err == nil, "systemd-analyze is not installed")
	text, err := os.ReadFile("systemd/downhauld.service")
	must(t, err)
	path, err := filepath.Abs("systemd/downhauld.service")
	must(t, err)
	out := output(t, ".", []string{"LC_ALL=C", "SYSTEMD_LOG_LEVEL=warning"}, "systemd-analyze", "security", "--offline=true", "--no-pager", path)
	open := regexp.MustCompile(`(?m)^- ([A-Za-z]+=)~?(@?[a-z]*)`).FindAllStringSubmatch(out, -1)
	if len(open) < 5 {
		t.Fatalf("not what this test reads:\n%s", out)
	}
	for _, m := range open {
		if !strings.Contains(string(text), m[1]) || !strings.Contains(string(text), m[2]) {
			t.Errorf("%s%s counts against the unit, and nothing in it says why", m[1], m[2])
		}
	}
}

// The guard's name for its priority in the program and in the unit are one.
func TestUnitAllowsThePriorityOfTheLoop(t *testing.T) {
	text, err := os.ReadFile("../interlock/day/watchdog/thread_linux.go")
	must(t, err)
	m := regexp.MustCompile(`(?m)^const priority = (\d+)$`).FindSubmatch(text)
	if m == nil {
		t.Fatal("the loop's priority was not found")
	}
	if got := strings.TrimSpace(settings(t, "downhauld.service")["LimitRTPRIO"]); got != string(m[1]) {
		t.Errorf("LimitRTPRIO=%s, and the loop asks for %s", got, m[1])
	}
}

// The page's unit calls a command as the tool has it. Where the tool has none
// yet, the unit is not checked.
func TestPanelUnitCallsTheToolAsItIs(t *testing.T) {
	tool := filepath.Join(t.TempDir(), "downhaul")
	output(t, "..", nil, "go", "build", "-o", tool, "./cmd/downhaul")
	help, err := exec.Command(tool, "panel", "--help").Output()
	architecture.Want(t, err == nil, "the tool has no panel command in this version")
	for _, word := range strings.Fields(settings(t, "downhaul-panel.service")["ExecStart"]) {
		if strings.HasPrefix(word, "--") && !strings.Contains(string(help), word+"=") && !strings.Contains(string(help), word+" ") {
			t.Errorf("downhaul panel has no %s:\n%s", word, help)
		}
	}
}

// Every device that the unit lets through belongs to a group that the guard's
// user is in: by a rule of ours, or because it is dialout's.
func TestDeviceRulesFitTheUnit(t *testing.T) {
	rules, err := os.ReadFile("systemd/udev.rules")
	must(t, err)
	var lines []string
	for line := range strings.Lines(string(rules)) {
		if line = strings.TrimSpace(line); line != "" && !strings.HasPrefix(line, "#") {
			lines = append(lines, line)
		}
	}
	for _, kind := range []string{"gpiochip*", "i2c-[0-9]*", "iio:device*", "watchdog", "watchdog[0-9]*"} {
		found := false
		for _, line := range lines {
			found = found || strings.Contains(line, `KERNEL=="`+kind+`"`) && strings.Contains(line, `GROUP:="downhaul"`) && strings.Contains(line, `MODE:="0660"`)
		}
		if !found {
			t.Errorf("no rule gives %s to the guard's group", kind)
		}
	}
	if s := settings(t, "downhauld.service"); strings.TrimSpace(s["SupplementaryGroups"]) != "dialout" {
		t.Error("the guard's user is not in the group of the serial ports")
	}
	users, err := os.ReadFile("systemd/sysusers.conf")
	must(t, err)
	if !strings.Contains(string(users), "\nm downhaul dialout\n") {
		t.Error("the user is not put into dialout")
	}
}
