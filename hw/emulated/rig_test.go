package emulated

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/numbered"
	"downhaul/interlock/records/prooftest"
	"downhaul/interlock/records/stopping"
	"downhaul/rules/architecture"
)

// layout is what the eighth line of the chip is for.
type layout struct {
	name, eighth, absent, wind, gust, device string
	// tether and card are those of a craft that can be modelled.
	tether, card string
}

const absentAll = `buzzer = "the chip has no line left"
lamp = "the chip has no line left"
gate = "the chip has no line left"
`

func without(name string) string {
	var out []string
	for _, line := range strings.Split(absentAll, "\n") {
		if !strings.HasPrefix(line, name+" ") {
			out = append(out, line)
		}
	}
	return strings.Join(out, "\n")
}

const (
	hornPad = "horn"
	gatePad = "gate"
	windPad = "wind"
	hangPad = "hang"
	// craftPad is the horn's with a craft that can be modelled.
	craftPad = "craft"
	// hangTimeout is the shortest that a pad file may ask of a watchdog.
	hangTimeout = 2 * time.Second
)

var layouts = []layout{
	{name: hornPad, eighth: `buzzer = "gpiochip0:7"`, absent: without("buzzer")},
	{name: gatePad, eighth: `gate = "gpiochip0:7"`, absent: without("gate")},
	{name: hangPad, eighth: `buzzer = "gpiochip0:7"`, absent: without("buzzer"), device: "device = \"/dev/watchdog\"\ntimeout = \"2 s\"\n"},
	{name: craftPad, eighth: `buzzer = "gpiochip0:7"`, absent: without("buzzer"), tether: "\n[tether]\nlength = \"9 m\"\n", card: modelledCraft},
	{name: windPad, eighth: `anemometer = "gpiochip0:7"`, absent: absentAll,
		wind: "[wind]\nslope = \"0.62 m\"\noffset = \"0.27 m/s\"\n",
		gust: "\n[[rule]]\nname = \"gust\"\nwatch = \"wind.speed\"\nabove = \"9 m/s\"\nstop = \"immediate\"\n"},
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

var linePins = map[string]int{
	"relay": 0, "heartbeat": 1, "readback": 2, "estop_a": 3, "estop_b": 4, "reset": 5, "start": 6,
	"buzzer": 7, "gate": 7, "anemometer": 7,
}

// Ours: how long the emulated board may take for anything, and for what the
// guard ought to do at once. A time in the emulator is no figure of a board.
const (
	patience = 60 * time.Second
	atOnce   = 5 * time.Second
	// guestGap is what the guest's guard and the modelled watchdog bear.
	guestGap = 100 * time.Millisecond
	// machineID is the guest's, by which its proof tests are known.
	machineID = "emulated"
)

// rig is a booted board with a craft that speaks to it.
type rig struct {
	t    *testing.T
	m    *Machine
	out  *Outside
	line *craftLine
	from int // the console's line from which on things are waited for
	dir  string
}

func must(t testing.TB, errs ...error) {
	t.Helper()
	for _, err := range errs {
		if err != nil {
			t.Fatal(err)
		}
	}
}

// boot builds the programs for the board, boots it and lets a craft speak.
func boot(t *testing.T) *rig {
	t.Helper()
	parts, err := Find()
	if err != nil {
		architecture.Need(t, false, err.Error())
	}
	dir, err := os.MkdirTemp("", "board") // a socket's path must be short
	must(t, err)
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	programs := map[string]string{}
	for name, from := range map[string]string{"downhauld": "downhaul/cmd/downhauld", "downhaul": "downhaul/cmd/downhaul", "pinwork": "./testdata/pinwork"} {
		to := filepath.Join(dir, name)
		build := exec.Command("go", "build", "-trimpath", "-o", to, from)
		build.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH=arm64")
		if out, err := build.CombinedOutput(); err != nil {
			t.Fatalf("build %s for the board: %v\n%s", name, err, out)
		}
		programs["/bin/"+name] = to
	}
	texts := map[string]string{"/etc/machine-id": machineID + "\n"}
	for _, l := range layouts {
		l.files(t, dir, texts)
	}
	r := &rig{t: t, dir: dir}
	r.out, err = NewOutside(linePins, guestGap)
	must(t, err)
	r.m, err = parts.Boot(t.Context(), Config{Programs: programs, Texts: texts, Dir: dir, Changed: r.out.Changed})
	must(t, err)
	t.Cleanup(func() {
		r.out.Detach()
		r.m.Close()
		must(t, r.out.Err())
		if t.Failed() {
			t.Logf("console:\n%s", r.m.Console())
		}
	})
	must(t, r.out.Attach(r.m))
	r.fly()
	return r
}

// files puts a pad's files and the record of its proof tests into the guest.
func (l layout) files(t *testing.T, dir string, texts map[string]string) {
	t.Helper()
	fill := strings.NewReplacer("@EIGHTH@", l.eighth, "@ABSENT@", l.absent, "@WIND@", l.wind, "@GUST@", l.tether+l.gust, "@DEVICE@", l.device)
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
	for _, output := range []float64{0.2, 0.5, 1, 1, 1} {
		o := stopping.Record{Schema: stopping.Schema, Made: at, Kind: stopping.Opening, Of: stopping.What(p, ""), Output: output, Mirror: "open", Traced: true, StandingS: 0.24, ThrustS: 0.08}
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

// craftLine is the telemetry line from the modelled craft, which can be cut, and
// on which the craft's attitude can be made to lie.
type craftLine struct {
	net.Conn
	mu     sync.Mutex
	cut    bool
	tilted bool
	sent   time.Time // when the first tilted frame went out
}

func (c *craftLine) Write(b []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.cut {
		return len(b), nil
	}
	if c.tilted && tilt(b) && c.sent.IsZero() {
		c.sent = time.Now()
	}
	return c.Conn.Write(b)
}

func (c *craftLine) set(cut, tilted bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.cut, c.tilted, c.sent = cut, tilted, time.Time{}
}

func (c *craftLine) firstTilted() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.sent
}

// tilt makes an ATTITUDE frame of MAVLink 2 say 80 degrees of roll, and says
// whether it was one. The layout is that of the common message set: message 30,
// roll as the second field of four bytes; its extra byte of the checksum is 39.
func tilt(b []byte) bool {
	const header, attitude, extra = 10, 30, 39
	if len(b) < header+12 || b[0] != 0xFD || b[7] != attitude || b[8] != 0 || b[9] != 0 {
		return false
	}
	binary.LittleEndian.PutUint32(b[header+4:], math.Float32bits(80*math.Pi/180))
	end := header + int(b[1])
	crc := uint16(0xFFFF)
	for _, v := range append(b[1:end:end], extra) {
		x := v ^ byte(crc)
		x ^= x << 4
		crc = crc>>8 ^ uint16(x)<<8 ^ uint16(x)<<3 ^ uint16(x)>>4
	}
	binary.LittleEndian.PutUint16(b[end:], crc)
	return true
}

// fly lets a modelled craft stand on the pad and speak until the test ends.
func (r *rig) fly() {
	r.t.Helper()
	conn, err := craftmodel.Dial(r.m.Telemetry)
	must(r.t, err)
	cfg := craftmodel.EightTwo()
	cfg.Unpowered = true
	craft, err := craftmodel.New(cfg)
	must(r.t, err)
	r.line = &craftLine{Conn: conn}
	ctx, cancel := context.WithCancel(context.Background())
	live := craftmodel.Live{Craft: craft, Conn: r.line, Turn: func(c *craftmodel.Craft) error {
		c.SetPower(r.out.PowerOn())
		return nil
	}}
	var work sync.WaitGroup
	work.Go(func() { _ = live.Serve(ctx) }) // a dead line ends it
	r.t.Cleanup(func() { cancel(); work.Wait(); _ = conn.Close() })
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
	r.contact("gate", false) // as an output it would come up as it was driven
	_, r.from = r.m.Lines(0)
	r.do("downhauld --pad /pads/" + name + "/pad.toml >/dev/ttyAMA0 2>&1 & GUARD=$!")
	const says = "downhauld: session "
	line := r.says(says)
	// A button that is on when the lines are first read does not count.
	r.within(patience, "answering", func() bool {
		out, err := r.m.Do("downhaul status --json --socket /run/guard.sock 2>&1")
		var s told.Status
		return err == nil && json.Unmarshal([]byte(out), &s) == nil && s.Loop.Turns > 10
	})
	// The chip does not hear the level of a pin that was an output until now.
	r.contact("gate", name == gatePad)
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

// status is what the guard shows, by the crew's own tool.
func (r *rig) status() (s told.Status) {
	r.t.Helper()
	out := r.do("downhaul status --json --socket /run/guard.sock")
	must(r.t, json.Unmarshal([]byte(out), &s))
	return s
}

// until waits until the status is as wanted.
func (r *rig) until(what string, ok func(told.Status) bool) told.Status {
	r.t.Helper()
	for end := time.Now().Add(patience); ; time.Sleep(200 * time.Millisecond) {
		s := r.status()
		if ok(s) {
			return s
		}
		if time.Now().After(end) {
			r.t.Fatalf("not %s: %s, %v, %v", what, s.State, s.NotReady, s.Trouble)
		}
	}
}

// inState wants a state of the latch. What the guard shows is up to 100 ms old, so
// that a state is waited for and never asked for once.
func inState(state string) func(told.Status) bool {
	return func(s told.Status) bool { return s.State == state }
}

func (r *rig) contact(name string, closed bool) {
	r.t.Helper()
	must(r.t, r.out.Contact(name, closed))
}

// press presses a button for a time and lets it go.
func (r *rig) press(name string, d time.Duration) {
	r.t.Helper()
	r.contact(name, true)
	time.Sleep(d)
	r.contact(name, false)
	time.Sleep(150 * time.Millisecond)
}

const tap = 400 * time.Millisecond

// ready waits until a reset that was given is taken. A busy computer can hold the
// loop up in the middle of one; then it is given again, as a crew would.
func (r *rig) ready() {
	r.t.Helper()
	time.Sleep(300 * time.Millisecond)
	r.until("ready", func(s told.Status) bool {
		if s.State == "blocked" && needsReset(s) {
			r.press("reset", tap)
			time.Sleep(300 * time.Millisecond)
		}
		return s.State == "ready"
	})
}

// makeLive works the pad as a crew does, from any state that a reset leads out
// of. It returns when start was pressed last.
func (r *rig) makeLive() (from time.Duration) {
	r.t.Helper()
	for end := time.Now().Add(2 * patience); ; {
		switch s := r.status(); s.State {
		case "live":
			return from
		case "ready":
			from = r.out.Now()
			r.press("start", tap)
		case "closing":
		default:
			if s.State != "blocked" || strings.Contains(strings.Join(s.NotReady, ";"), "reset needed") {
				r.press("reset", tap)
			}
		}
		if time.Now().After(end) {
			s := r.status()
			r.t.Fatalf("never live: %s, %v, %v", s.State, s.NotReady, s.Trouble)
		}
		time.Sleep(200 * time.Millisecond)
	}
}

// within waits for something seen from outside.
func (r *rig) within(d time.Duration, what string, ok func() bool) {
	r.t.Helper()
	for end := time.Now().Add(d); !ok(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(end) {
			r.t.Fatalf("in %v: not %s; outside: %v", d, what, r.out.History(0))
		}
	}
}

// staysOpen wants the relay low and the rotors without power for a time.
func (r *rig) staysOpen(d time.Duration) {
	r.t.Helper()
	from := r.out.Now()
	if r.out.RelayOn() || r.out.PowerOn() {
		r.t.Fatalf("relay %v, power %v", r.out.RelayOn(), r.out.PowerOn())
	}
	time.Sleep(d)
	if h := r.out.History(from); len(switched(h, "relay"))+len(switched(h, "contactor")) > 0 {
		r.t.Fatalf("it moved: %v", h)
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

// number reads "edges 12 lost 0 ..." as its figures by word.
func number(t *testing.T, text string) map[string]float64 {
	t.Helper()
	out := map[string]float64{}
	words := strings.Fields(text)
	for i := 0; i+1 < len(words); i += 2 {
		var v float64
		if _, err := fmt.Sscan(words[i+1], &v); err != nil {
			t.Fatalf("%q: %v", text, err)
		}
		out[words[i]] = v
	}
	return out
}
