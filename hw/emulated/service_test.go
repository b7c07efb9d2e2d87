package emulated

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/answers/told"
	"downhaul/rules/architecture"
)

var onSystem = flag.Bool("system", false, "try the package and its service on a whole system on the emulated board; some minutes")

const portUnit = `[Unit]
After=dbus.service systemd-udev-settle.service
[Service]
ExecStartPre=-/sbin/ip addr add 10.0.2.15/24 dev eth0
ExecStartPre=-/sbin/ip link set eth0 up
ExecStart=/bin/sh /port
OOMScoreAdjust=-500
[Install]
WantedBy=multi-user.target
`

// servicePad is the horn's pad where the service looks for it.
var servicePad = layout{name: "service", lines: eighth("buzzer"), log: "/var/lib/downhaul", socket: "/run/downhaul/guard.sock"}

// newSystem makes the image of a disk with the system that fetch --system unpacked, its
// users and nothing configured, and the package in two versions in /root.
func newSystem(t *testing.T, dir, image string) {
	t.Helper()
	cache, err := Cache()
	must(t, err)
	if _, err := os.Stat(filepath.Join(cache, "system-complete")); err != nil {
		architecture.Need(t, false, "no system for the board; run hw/emulated/fetch --system once")
	}
	if os.Getuid() != 0 {
		architecture.Need(t, false, "a system's files belong to root: run this as root")
	}
	root := filepath.Join(dir, "system")
	sh := func(script string) {
		t.Helper()
		c := exec.Command("bash", "-euc", script)
		c.Env = append(os.Environ(), "ROOT="+root, "CACHE="+cache, "WORK="+dir, "PINWORK="+build(t, "pinwork", "./testdata/pinwork", "arm64"))
		if out, err := c.CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", script, err, out)
		}
	}
	sh(`cp -a "$CACHE/system" "$ROOT"
		cp "$PINWORK" "$ROOT/usr/bin/pinwork"
		cp "$ROOT/usr/share/base-passwd/passwd.master" "$ROOT/etc/passwd"
		cp "$ROOT/usr/share/base-passwd/group.master" "$ROOT/etc/group"
		touch "$ROOT/var/lib/dpkg/status" "$ROOT/etc/fstab"
		mkdir -p "$ROOT/root" "$ROOT/etc/systemd/system/multi-user.target.wants"
		for unit in getty@tty1 serial-getty@ttyAMA0 systemd-timesyncd apt-daily.timer apt-daily-upgrade.timer; do
			ln -s /dev/null "$ROOT/etc/systemd/system/${unit%.timer}.$([ "$unit" = "${unit%.timer}" ] && echo service || echo timer)"
		done
		ln -s ../port.service "$ROOT/etc/systemd/system/multi-user.target.wants/port.service"`)
	texts := map[string]string{"/etc/systemd/system/port.service": portUnit, "/port": port, "/commands": commands, "/etc/machine-id": machineID + "\n", "/etc/hostname": "pad\n"}
	for _, kind := range []string{"auth", "account", "password", "session"} { // what an installation works out
		texts["/etc/pam.d/common-"+kind] = kind + " required pam_permit.so\n"
	}
	servicePad.files(t, dir, texts)
	for name, text := range texts {
		must(t, os.MkdirAll(filepath.Dir(filepath.Join(root, name)), 0o755), os.WriteFile(filepath.Join(root, name), []byte(text), 0o644))
	}
	// The same package twice, the second one as a later version.
	sh(`../../deploy/build --out "$WORK/debs" arm64
		cp "$WORK"/debs/*arm64.deb "$ROOT/root/first.deb"
		dpkg-deb -R "$ROOT/root/first.deb" "$WORK/again"
		sed -i 's/^Version: .*/&+later/' "$WORK/again/DEBIAN/control"
		dpkg-deb --root-owner-group -b "$WORK/again" "$ROOT/root/later.deb" >/dev/null`)
	f, err := os.Create(image)
	must(t, err, f.Truncate(3<<30), f.Close())
	tool(t, "mke2fs", "-q", "-F", "-t", "ext4", "-E", "lazy_itable_init=1,lazy_journal_init=1", "-d", root, image)
	must(t, os.RemoveAll(root))
}

// The package on a whole system: installed, started, watched, stopped, upgraded and cut
// off by the service manager itself, seen from the pins.
//
//	hw/emulated/fetch --system
//	go test ./hw/emulated -run TestService -v -system -timeout 30m
func TestService(t *testing.T) {
	if !*onSystem {
		t.Skip("boots a whole system; only with -system")
	}
	needDisks(t)
	dir := t.TempDir()
	image := filepath.Join(dir, "disk")
	newSystem(t, dir, image)
	r := bootAlone(t, Config{
		Modules: diskModules, Disk: image, System: true,
		Kernel: "net.ifnames=0 systemd.journald.forward_to_console=1 systemd.show_status=0",
	}, servicePad)
	r.fly()
	r.every = time.Second
	t.Logf("the system took %v to its first command", r.m.Booted.Round(100*time.Millisecond))

	r.firstBoot()
	r.do("systemctl disable --now downhauld 2>&1; rm -rf /etc/downhaul/*.toml /var/lib/downhaul/* /var/lib/downhaul/.[a-z]*")
	if out := r.tells("udevadm settle; stat -c %G /dev/gpiochip0; id downhaul; systemctl is-enabled downhauld"); !strings.Contains(out, "downhaul uid=") || !strings.Contains(out, "(dialout)") || !strings.Contains(out, "disabled") {
		t.Errorf("after the installation: %s", out)
	}
	r.do("cd /pads/service && cp *.toml /etc/downhaul/ && mkdir -p /var/lib/downhaul/commission /var/lib/downhaul/stop && cp proofs/* /var/lib/downhaul/commission/ && cp stop/* /var/lib/downhaul/stop/ && chown -R downhaul:downhaul /var/lib/downhaul")

	r.do("systemctl enable --now downhauld 2>&1")
	r.until("blocked, asking for a reset", func(s told.Status) bool { return s.State == "blocked" && s.Loop.Turns > 10 })
	for _, warning := range []string{"not permitted", "warning:", "cannot be locked"} {
		if out := r.do("journalctl -u downhauld -o cat --no-pager"); strings.Contains(out, warning) {
			t.Errorf("the guard began with a warning: %s", out)
		}
	}
	r.makeLive()
	t.Log("live under the service manager")

	// The loop stands still: the chain opens at once, then the service manager's watchdog
	// ends the process, and a new one comes up tripped.
	before := r.mainPID()
	r.do("kill -STOP " + before)
	r.within(atOnce, "power off", func() bool { return !r.out.PowerOn() })
	r.anew(before, "tripped")
	r.makeLive()

	// Stopped and started again.
	r.do("systemctl stop downhauld")
	r.staysOpen(2 * time.Second)
	if out := r.do("journalctl -u downhauld -o cat --no-pager"); !strings.Contains(out, "ended; relay open") {
		t.Errorf("stopped: %s", out)
	}
	r.do("systemctl start downhauld")
	r.until("up again", func(s told.Status) bool { return s.Loop.Turns > 10 })
	r.makeLive()
	before = r.mainPID()
	r.do("systemctl restart downhauld")
	r.anew(before, "")
	r.staysOpen(time.Second)
	r.makeLive()

	// An upgrade under a closed relay is refused, and changes nothing. Behind a stop it is
	// taken: the guard goes on, and the new one comes with the next start.
	before = r.mainPID()
	out := r.do("dpkg -i --force-depends /root/later.deb 2>&1; true")
	if !strings.Contains(out, "THE RELAY IS CLOSED") || !r.out.PowerOn() || r.mainPID() != before {
		t.Errorf("an upgrade under a live guard: power %v, pid %s, then %s: %s", r.out.PowerOn(), before, r.mainPID(), out)
	}
	r.contact("estop_a", false)
	r.contact("estop_b", false)
	r.until("tripped", inState("tripped"))
	r.contact("estop_a", true)
	r.contact("estop_b", true)
	out = r.do("dpkg -i --force-depends /root/later.deb 2>&1")
	if !strings.Contains(out, "still the program of before") || r.mainPID() != before {
		t.Errorf("an upgrade under a guard: pid %s, then %s: %s", before, r.mainPID(), out)
	}
	r.do("systemctl restart downhauld")
	r.anew(before, "")
	r.makeLive()

	// Killed: started again after three seconds, tripped.
	before = r.mainPID()
	r.do("kill -KILL " + before)
	r.within(atOnce, "power off", func() bool { return !r.out.PowerOn() })
	r.anew(before, "tripped")
	r.makeLive()

	// The power goes off and comes back: the service comes up by itself, tripped.
	r.cut()
	r.power()
	r.until("up by itself", func(s told.Status) bool { return s.State == "tripped" && s.Loop.Turns > 10 })
	if h := switched(r.out.History(0), "contactor"); len(h) != 0 {
		t.Errorf("the contactor moved while the board came up: %v", h)
	}
	r.fly()
	r.makeLive()
	r.do("systemctl poweroff")
	r.within(patience, "power off", func() bool { return !r.out.PowerOn() && !r.out.RelayOn() })
	must(t, r.m.WaitEnd(2*patience))
}

// notHere are commands of the handbook's first boot that cannot be run on this board, by
// how they begin, with the reason.
var notHere = map[string]string{
	"timedatectl list-timezones":  "this small system has no time zones",
	"timedatectl set-timezone":    "the same",
	"systemctl mask --now serial": "done in its image",
	"i2cdetect -l":                "this board has no bus here; TestEmulatedLoadCell has one",
	"modprobe i2c-dev":            "its modules are in the first file system",
	"downhaul rehearse":           "takes the emulated processor for an hour; the tool's own tests fly it",
	"mke2fs":                      "no second disk",
	"echo 'LABEL":                 "no second disk",
	"mount /var/lib":              "no second disk",
	"touch /etc/try":              "is meant to fail, on a root that is not written to",
}

// firstBoot types what the handbook's page on the first boot has a crew type, as root.
func (r *rig) firstBoot() {
	r.t.Helper()
	page, err := os.ReadFile("../../deploy/manual/handbook/firstboot.md")
	must(r.t, err)
	ran := 0
	for line := range strings.Lines(string(page)) {
		command, typed := strings.CutPrefix(strings.TrimSuffix(line, "\n"), "    ")
		if !typed {
			continue
		}
		command = strings.NewReplacer("sudo ", "", "CREW", "crew", "./downhaul_VERSION_arm64.deb", "/root/first.deb -y").Replace(command)
		why := ""
		for begins, reason := range notHere {
			if strings.HasPrefix(command, begins) {
				why = reason
			}
		}
		switch {
		case why != "":
			r.t.Logf("not run: %s (%s)", command, why)
			continue
		case command == "adduser crew":
			command += " --disabled-password --gecos ''" // it asks for a password
		case strings.HasPrefix(command, "date --set"): // and back: proof tests go by dates
			command += fmt.Sprintf("; date --set @%d", time.Now().Unix())
		case strings.HasPrefix(command, "downhaul new"):
			command += " </dev/null" // every answer the proposed one
		}
		if strings.HasPrefix(command, "downhaul status") {
			r.until("answering", func(s told.Status) bool { return s.Loop.Turns > 2 })
		}
		out, err := r.m.Do("(cd /root; " + command + ") 2>&1")
		if err != nil {
			r.t.Errorf("%s: %v: %s", command, err, out)
			continue
		}
		ran++
		r.t.Logf("$ %s\n%s", command, out)
	}
	if ran < 10 {
		r.t.Errorf("only %d commands of the page were run", ran)
	}
}

func (r *rig) mainPID() string {
	return strings.TrimSpace(r.do("systemctl show -p MainPID --value downhauld"))
}

// anew waits for another process of the service, that answers and is in that state.
func (r *rig) anew(before, state string) {
	r.t.Helper()
	r.within(2*patience, "another process", func() bool {
		pid := r.mainPID()
		return pid != before && pid != "0"
	})
	r.until("answering "+state, func(s told.Status) bool { return s.Loop.Turns > 10 && (state == "" || s.State == state) })
}
