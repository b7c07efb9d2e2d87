package emulated

import (
	"archive/tar"
	"bytes"
	"cmp"
	"compress/gzip"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/prooftest"
	"downhaul/interlock/records/stopping"
	"downhaul/rules/architecture"
)

// layout is a pad: what the lines of the chip are for that differ from pad to pad, and
// what else its files say.
type layout struct {
	name         string
	lines        map[string]int
	device       string  // of the watchdog
	sensor       string  // of the pad file
	rule, tether string  // of the envelope
	card         string  // of a craft that can be modelled
	log, socket  string  // empty: /log and guestSocket
	standing     float64 // s, until the rotors stand behind an opening; 0 is 0.24
}

// everyLine are those that every pad here has; each name that a pad may do without is
// said to be absent.
var (
	everyLine = map[string]int{"relay": 0, "heartbeat": 1, "readback": 2, "estop_a": 3, "reset": 5}
	mayLack   = []string{"estop_b", "buzzer", "lamp", "gate", "hold", "end"}
)

const (
	hornPad = "horn"
	// windPad has gate and anemometer in place of the stop's second contact and the buzzer.
	windPad = "wind"
	hangPad = "hang"
	// craftPad is the horn's with a craft that can be modelled.
	craftPad = "craft"
	// hangTimeout is the shortest that a pad file may ask of a watchdog.
	hangTimeout = 2 * time.Second
)

// eighth are the lines of a pad whose last one is what a group of scenarios needs.
func eighth(name string) map[string]int {
	return map[string]int{"estop_b": 4, "start": 6, name: 7}
}

var layouts = []layout{
	{name: hornPad, lines: eighth("buzzer")},
	{name: hangPad, lines: eighth("buzzer"), device: "device = \"/dev/watchdog\"\ntimeout = \"2 s\"\n"},
	{name: craftPad, lines: eighth("buzzer"), tether: "\n[tether]\nlength = \"9 m\"\n", card: modelledCraft},
	{name: windPad, lines: map[string]int{"gate": 4, "start": 6, "anemometer": 7},
		sensor: "[wind]\nslope = \"0.62 m\"\noffset = \"0.27 m/s\"\n",
		rule:   "\n[[rule]]\nname = \"gust\"\nwatch = \"wind.speed\"\nabove = \"9 m/s\"\nstop = \"immediate\"\n"},
}

const modelledCraft = `version = 1
title = "Emulated"

[craft]
name = "emulated"
mass = "60 kg"

[motors]
count  = 8
thrust = "133 N"

[[pack]]
name  = "A"
cells = 12

[[step]]
name    = "hover"
ballast = "0 kg"
`

// Ours: how long the emulated board may take for anything, and for what the
// guard ought to do at once. A time in the emulator is no figure of a board.
const (
	patience = 60 * time.Second
	atOnce   = 5 * time.Second
	// guestGap is what the guest's guard and the modelled watchdog bear.
	guestGap    = 100 * time.Millisecond
	guestSocket = "/run/guard.sock"
	// machineID is the guest's, by which its proof tests are known.
	machineID = "0123456789abcdef0123456789abcdef"
)

// rig is a booted board with a craft that speaks to it.
type rig struct {
	t    *testing.T
	m    *Machine
	out  *Outside
	line *craftLine
	from int // the console's line from which on things are waited for
	dir  string
	cfg  Config
	pins map[string]int
	// every is how often the status is asked for: it takes the emulated processor from the
	// guard's loop for a while each time.
	every  time.Duration
	socket string      // of the guard
	runs   *told.Setup // what it last said that it runs on
}

func must(t testing.TB, errs ...error) {
	t.Helper()
	for _, err := range errs {
		if err != nil {
			t.Fatal(err)
		}
	}
}

// boot builds the programs for the board, boots it with the files of the pads, all of
// which are wired alike, and lets a craft stand there and speak.
func boot(t *testing.T, cfg Config, pads ...layout) *rig {
	t.Helper()
	r := bootAlone(t, cfg, pads...)
	r.fly()
	return r
}

// bootAlone is boot without a craft.
func bootAlone(t *testing.T, cfg Config, pads ...layout) *rig {
	t.Helper()
	if _, err := Find(); err != nil {
		architecture.Need(t, false, err.Error())
	}
	dir, err := os.MkdirTemp("", "board") // a socket's path must be short
	must(t, err)
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	cfg.Dir = dir
	if cfg.Programs == nil {
		cfg.Programs = map[string]string{}
	}
	for name, from := range map[string]string{"downhauld": "downhaul/cmd/downhauld", "downhaul": "downhaul/cmd/downhaul", "pinwork": "./testdata/pinwork"} {
		cfg.Programs["/bin/"+name] = build(t, name, from, "arm64")
	}
	if cfg.Texts == nil {
		cfg.Texts = map[string]string{}
	}
	cfg.Texts["/etc/machine-id"] = machineID + "\n"
	r := &rig{t: t, dir: dir, cfg: cfg, pins: maps.Clone(everyLine), every: 100 * time.Millisecond, socket: guestSocket}
	for _, l := range pads {
		maps.Copy(r.pins, l.lines)
		l.files(t, dir, cfg.Texts)
		r.socket = cmp.Or(l.socket, guestSocket)
	}
	t.Cleanup(func() {
		if t.Failed() && r.m != nil {
			t.Logf("console:\n%s", r.m.Console())
		}
		r.cut()
	})
	r.power()
	return r
}

// programs is the folder of what was built for the board.
var programs string

func TestMain(m *testing.M) {
	var err error
	if programs, err = os.MkdirTemp("", "programs"); err != nil {
		panic(err)
	}
	code := m.Run()
	_ = os.RemoveAll(programs)
	os.Exit(code)
}

// build builds a program for an architecture, once for all tests, and gives its path.
func build(t *testing.T, name, from, arch string) string {
	t.Helper()
	to := filepath.Join(programs, name+"."+arch)
	if _, err := os.Stat(to); err == nil {
		return to
	}
	c := exec.Command("go", "build", "-trimpath", "-o", to, from)
	c.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH="+arch)
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("build %s: %v\n%s", name, err, out)
	}
	return to
}

// power boots the board.
func (r *rig) power() {
	r.t.Helper()
	var err error
	r.out, err = NewOutside(r.pins, guestGap)
	must(r.t, err)
	parts, err := Find()
	must(r.t, err)
	cfg := r.cfg
	cfg.Changed = func(at time.Time, pin int, high bool) {
		if r.cfg.Changed != nil {
			r.cfg.Changed(at, pin, high)
		}
		r.out.Changed(at, pin, high)
	}
	if r.m, err = parts.Boot(r.t.Context(), cfg); err != nil {
		r.t.Fatal(err)
	}
	must(r.t, r.out.Attach(r.m))
	// In a shell of its own: a wait in the guest is for what a test started.
	r.do(fmt.Sprintf("(pinwork pass 10.0.2.15:%d %s >/dev/null 2>&1 &)", guestPort, r.socket))
}

// cut takes the power from a board that has it.
func (r *rig) cut() {
	if r.m == nil {
		return
	}
	r.out.Detach()
	r.m.Close()
	if err := r.out.Err(); err != nil {
		r.t.Error(err)
	}
	r.m = nil
}

// files puts a pad's files and the record of its proof tests into the guest.
func (l layout) files(t *testing.T, dir string, texts map[string]string) {
	t.Helper()
	var lines, absent strings.Builder
	for name, pin := range l.lines {
		fmt.Fprintf(&lines, "%s = \"gpiochip0:%d\"\n", name, pin)
	}
	for _, name := range mayLack {
		if _, wired := l.lines[name]; !wired {
			fmt.Fprintf(&absent, "%s = \"the chip has no line left\"\n", name)
		}
	}
	if l.log == "" {
		l.log, l.socket = "/log", guestSocket
	}
	fill := strings.NewReplacer("@LOG@", l.log, "@SOCKET@", l.socket, "@LINES@", lines.String(), "@ABSENT@", absent.String(), "@SENSOR@", l.sensor, "@MORE@", l.tether+l.rule, "@DEVICE@", l.device)
	for _, name := range []string{"pad.toml", "envelope.toml"} {
		text, err := os.ReadFile(filepath.Join("testdata", name))
		must(t, err)
		texts["/pads/"+l.name+"/"+name] = fill.Replace(string(text))
	}
	if l.card != "" {
		texts["/pads/"+l.name+"/card.toml"] = l.card
	}
	p, faults := pad.Read("pad.toml", []byte(texts["/pads/"+l.name+"/pad.toml"]))
	must(t, faults.Err())
	sum := sha256.Sum256([]byte("downhaul board " + machineID))
	at := time.Now()
	record := prooftest.Record{
		Schema: prooftest.Schema, Made: at, Pad: prooftest.PadFile{SHA256: hex.EncodeToString(p.Hash[:])},
		Board: prooftest.BoardID{Machine: "machine " + hex.EncodeToString(sum[:8])},
	}
	for _, test := range prooftest.Fitting(p) {
		record.Tests = append(record.Tests, prooftest.Result{Test: test, Outcome: prooftest.Passed, At: at})
	}
	kept, err := numbered.Write(prooftest.Folder(filepath.Join(dir, l.name)), record.Made, &record.Number, &record)
	must(t, err)
	text, err := os.ReadFile(kept)
	must(t, err)
	texts["/pads/"+l.name+"/proofs/"+filepath.Base(kept)] = string(text)
	// Made up like the craft: the openings of a stop test, so that it may fly.
	if l.standing == 0 {
		l.standing = 0.24
	}
	for _, output := range []float64{0.2, 0.5, 1, 1, 1} {
		o := stopping.Record{Schema: stopping.Schema, Made: at, Kind: stopping.Opening, Of: stopping.What(p, ""), Output: output, Mirror: "open", Traced: true, StandingS: l.standing, ThrustS: l.standing / 3}
		must(t, o.Write(filepath.Join(dir, l.name)))
	}
	names, err := filepath.Glob(filepath.Join(stopping.Folder(filepath.Join(dir, l.name)), "*.json"))
	must(t, err)
	for _, name := range names {
		text, err := os.ReadFile(name)
		must(t, err)
		texts["/pads/"+l.name+"/stop/"+filepath.Base(name)] = string(text)
	}
}

// do runs a line of shell in the guest.
func (r *rig) do(line string) string {
	r.t.Helper()
	out, err := r.m.Do(line)
	must(r.t, err)
	return out
}

// guard starts the daemon on a pad; fresh begins with an empty log folder. It
// gives the session's folder in the guest.
func (r *rig) guard(name string, fresh bool) (session string) {
	r.t.Helper()
	if fresh {
		r.do("rm -rf /log/* /log/.last-session.json; mkdir -p /log/commission; cp /pads/" + name + "/proofs/* /log/commission/; mkdir -p /log/stop; cp /pads/" + name + "/stop/* /log/stop/")
	}
	_, r.from = r.m.Lines(0)
	r.do("downhauld --pad /pads/" + name + "/pad.toml >/dev/ttyAMA0 2>&1 & GUARD=$!")
	const says = "downhauld: session "
	line := r.says(says)
	// A button that is on when the lines are first read does not count.
	r.until("answering", func(s told.Status) bool { return s.Loop.Turns > 10 })
	return line.Text[strings.Index(line.Text, says)+len(says):]
}

// end ends the daemon as a service is ended.
func (r *rig) end() {
	r.t.Helper()
	r.do("kill -TERM $GUARD; wait $GUARD")
	r.says("ended; relay open")
}

// says waits until the daemon says something from here on.
func (r *rig) says(text string) Line {
	r.t.Helper()
	line, next, err := r.m.Wait(r.from, text, patience)
	must(r.t, err)
	r.from = next
	return line
}

// quiet wants the daemon not to say something for a time.
func (r *rig) quiet(text string, d time.Duration) {
	r.t.Helper()
	if line, _, err := r.m.Wait(r.from, text, d); err == nil {
		r.t.Fatalf("it said: %s", line.Text)
	}
}

// pull brings a folder of the guest here.
func (r *rig) pull(folder string) string {
	r.t.Helper()
	text := r.do("tar -C " + filepath.Dir(folder) + " -czf - " + filepath.Base(folder) + " | base64")
	raw, err := base64.StdEncoding.DecodeString(strings.ReplaceAll(text, "\n", ""))
	must(r.t, err)
	z, err := gzip.NewReader(bytes.NewReader(raw))
	must(r.t, err)
	to := r.t.TempDir()
	for archive := tar.NewReader(z); ; {
		h, err := archive.Next()
		if errors.Is(err, io.EOF) {
			return filepath.Join(to, filepath.Base(folder))
		}
		must(r.t, err)
		name := filepath.Join(to, filepath.Clean("/"+h.Name))
		if h.FileInfo().IsDir() {
			must(r.t, os.MkdirAll(name, 0o755))
			continue
		}
		body, err := io.ReadAll(archive)
		must(r.t, err, os.WriteFile(name, body, 0o644))
	}
}
