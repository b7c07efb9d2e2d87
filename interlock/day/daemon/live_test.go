//go:build linux

package daemon

import (
	"bytes"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/before/bench"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/model/craftmodel"
	"downhaul/interlock/records/recording"
	"downhaul/interlock/records/session"
	"downhaul/rules/architecture"

	"golang.org/x/sys/unix"
)

// pastCrash is up to where the recording is played, speed how fast.
const (
	pastCrash = 60 * time.Second
	speed     = 20
)

// A recording of a real crash, made by nobody of this project, played onto the
// link of a guard that only watches: it trips when the craft goes over. From
// the data's own description: armed at +26.8 s, disarmed at +45.8 s.
func TestRealCrashIsSeenAndReplaysEqually(t *testing.T) {
	t.Parallel()
	name := architecture.Data(t, "telemetry/quad-crash-then-mission.pcap")[0]
	b := newTable(t, "watch", "")
	p := b.start()
	folder := b.status().Folder
	conn, err := net.Dial("udp", b.port)
	must(t, err)
	defer conn.Close()
	rec, err := recording.Open(name)
	must(t, err)
	defer rec.Close()
	sent := map[string]time.Duration{} // by their bytes: boot clocks make most of them unlike
	for began := time.Now(); ; {
		c, err := rec.Next()
		must(t, err)
		if c.At > pastCrash {
			break
		}
		time.Sleep(c.At/speed - time.Since(began))
		_, err = conn.Write(c.Bytes)
		must(t, err)
		sent[string(c.Bytes)] = c.At
	}
	p.end()

	s, err := session.Open(folder)
	must(t, err)
	result, err := bench.ReplaySession(s)
	must(t, err)
	if eq := result.Equal; !eq.Claimed || !eq.Holds {
		t.Errorf("%s\nlive   %s\nreplay %s", eq.Says(), eq.Log, eq.Here)
	}
	lines := b.lines(folder)
	if last := lines[len(lines)-1]; last.Kind != "ended" {
		t.Errorf("the last line is %q", last.Kind)
	}
	var first *bench.Event
	for i := range result.Trips {
		if e := &result.Trips[i]; e.Rule == "tilt" && e.Value != nil {
			first = e
			break
		}
	}
	if first == nil {
		t.Fatalf("no tilt trip: %+v", result.Trips)
	}
	if !b.logged(folder, `"reason":"past a limit","rule":"tilt"`) {
		t.Error("the trip log holds no tilt trip")
	}
	// Which datagram of the recording was it?
	parts, err := recording.Parts(s.Dir)
	must(t, err)
	own, err := recording.OpenParts(parts)
	must(t, err)
	defer own.Close()
	for {
		c, err := own.Next()
		must(t, err)
		if c.Source != intake.Telemetry || c.At != first.Effect().At {
			continue
		}
		at, ok := sent[string(c.Bytes)]
		if !ok || at < 26800*time.Millisecond || at > 45800*time.Millisecond {
			t.Errorf("tripped at %v of the recording (known datagram: %v), want within 26.8 s to 45.8 s", at, ok)
		}
		return
	}
}

// A process that is stopped for longer than the watchdog's window and goes on:
// the relay is open afterwards and stays open.
func TestPromise05_StoppedProcessGoesOnWithAnOpenChain(t *testing.T) {
	if testing.Short() {
		t.Skip("flies real processes for ten seconds and more; left out by -short")
	}
	t.Parallel()
	b := newTable(t, "guard", "")
	p := b.start()
	b.fly()
	board := b.makeLive()
	if s, err := board.Show(); err != nil || !s.Power {
		t.Fatalf("live without power at the rotors: %v %v", s.Contactor, err)
	}
	must(t, p.cmd.Process.Signal(unix.SIGSTOP))
	time.Sleep(1500 * time.Millisecond)
	must(t, p.cmd.Process.Signal(unix.SIGCONT))
	soon(t, "latched", func() bool { s := b.status().State; return s == "tripped" || s == "fault" })
	for range 20 {
		s, err := board.Show()
		must(t, err)
		if s.Power || s.Coil || s.Outputs[0].On {
			t.Fatalf("contactor %s, relay %v after the stop", s.Contactor, s.Outputs[0].On)
		}
		time.Sleep(100 * time.Millisecond)
	}
	if st := b.status(); st.State != "tripped" && st.State != "fault" || st.RelayOn {
		t.Errorf("state %s two seconds later", st.State)
	}
	p.end()
}

// A process that is killed while live: its board goes with it, and the next
// start comes up tripped.
func TestPromise05_KilledProcessComesUpTripped(t *testing.T) {
	if testing.Short() {
		t.Skip("flies real processes for ten seconds and more; left out by -short")
	}
	t.Parallel()
	b := newTable(t, "guard", "")
	p := b.start()
	b.fly()
	b.makeLive()
	must(t, p.cmd.Process.Kill())
	<-p.done
	next := b.start()
	s := b.status()
	if s.State != "tripped" || s.RelayOn || s.Closed {
		t.Errorf("came up %s, relay %v", s.State, s.RelayOn)
	}
	next.end()
	if !strings.Contains(next.out.String(), "broke off") {
		t.Errorf("the start does not say why: %s", next.out.String())
	}
}

// Two senders under one identity from two ports.
func TestPromise10_TwoSendersTrip(t *testing.T) {
	t.Parallel()
	b := newTable(t, "watch", "")
	p := b.start()
	folder := b.status().Folder
	b.fly()
	soon(t, "the first craft heard", func() bool { return b.status().Link.Frames > 20 })
	if b.logged(folder, "two senders") {
		t.Fatal("one sender counts as two")
	}
	b.fly()
	soon(t, "the second sender seen", func() bool { return b.logged(folder, `"reason":"two senders under one identity"`) })
	p.end()
}

// Ten thousand datagrams of garbage disturb nobody.
//
//fault:row garbage on the telemetry port | nothing
func TestGarbageOnThePortDisturbsNothing(t *testing.T) {
	t.Parallel()
	b := newTable(t, "watch", "")
	p := b.start()
	b.fly()
	soon(t, "the craft heard", func() bool { return b.status().Link.Frames > 20 })
	conn, err := craftmodel.Dial(b.port)
	must(t, err)
	defer conn.Close()
	random := rand.New(rand.NewPCG(1, 2))
	for i := range 10000 {
		junk := make([]byte, random.IntN(600))
		for j := range junk {
			junk[j] = byte(random.Uint32())
		}
		if len(junk) > 2 && i%2 == 0 {
			junk[0] = 0xFD // looks like the begin of a frame
		}
		_, _ = conn.Write(junk)
		if i%50 == 49 {
			time.Sleep(2 * time.Millisecond)
		}
	}
	before := b.status()
	soon(t, "the craft heard as before", func() bool { return b.status().Link.Frames > before.Link.Frames+20 })
	s := b.status()
	if s.Trips != 0 || s.Link.BadBytes == 0 || s.State != "blocked" {
		t.Errorf("state %s, %d trips (%s), %d bad bytes", s.State, s.Trips, s.FirstCause, s.Link.BadBytes)
	}
	p.end()
	ses, err := session.Open(s.Folder)
	must(t, err)
	result, err := bench.ReplaySession(ses)
	must(t, err)
	if eq := result.Equal; !eq.Holds {
		t.Error(eq.Says())
	}
}

// line is a serial line's far end as a craft's radio writes to it.
type line struct {
	net.Conn
	f *os.File
}

func (l line) Write(p []byte) (int, error) { return l.f.Write(p) }
func (l line) Close() error                { return nil }

// pty is a serial line: its far end, and the name of the near one.
func pty(t *testing.T) (far *os.File, device string) {
	t.Helper()
	fd, err := unix.Open("/dev/ptmx", unix.O_RDWR|unix.O_NOCTTY|unix.O_CLOEXEC|unix.O_NONBLOCK, 0)
	architecture.Need(t, err == nil, "no pseudo terminal on this system")
	far = os.NewFile(uintptr(fd), "/dev/ptmx")
	t.Cleanup(func() { far.Close() })
	must(t, unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0))
	n, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
	must(t, err)
	return far, filepath.Join("/dev/pts", strconv.Itoa(n))
}

// A serial line that goes dead is seen, and said.
//
//fault:row the serial line goes dead | power off by staleness; reconnects are said
func TestDeadSerialLineIsSeen(t *testing.T) {
	t.Parallel()
	far, device := pty(t)
	b := newTable(t, "watch", "kind = \"serial\"\ndevice = \""+device+"\"\nbaud = 57600")
	p := b.start()
	folder := b.status().Folder
	stop := b.flyOver(line{f: far})
	soon(t, "the craft heard", func() bool { return b.status().Link.Frames > 20 })
	stop()
	must(t, far.Close()) // pulled out
	soon(t, "the dead line told", func() bool { return b.logged(folder, ") is down: ") })
	soon(t, "the silence listed", func() bool { return b.logged(folder, `"reason":"nothing heard from the craft"`) })
	p.end()
	if !bytes.Contains(p.out.Bytes(), []byte("nothing heard")) {
		t.Logf("not on the terminal: %s", p.out.String())
	}
}

// A serial adapter that is pulled out while live and comes back as another
// device, under the name that stays the same (/dev/serial/by-id, or a rule for
// devices): power off when it goes, heard again when it is back, and nothing
// resumes by itself.
//
//fault:row the serial line is pulled out and comes back as another device | power off; heard again under its lasting name; nothing resumes
func TestSerialLineBackUnderAnotherName(t *testing.T) {
	if testing.Short() {
		t.Skip("flies real processes for ten seconds and more; left out by -short")
	}
	t.Parallel()
	b := newTable(t, "guard", "kind = \"serial\"\ndevice = \"@FOLDER@/craft\"\nbaud = 57600")
	name := filepath.Join(b.dir, "craft")
	far, device := pty(t)
	must(t, os.Symlink(device, name))
	p := b.start()
	folder := b.status().Folder
	stop := b.flyOver(line{f: far})
	board := b.makeLive()
	stop()
	must(t, os.Remove(name), far.Close()) // pulled out
	soon(t, "tripped", func() bool { return b.status().State == "tripped" })
	soon(t, "the lost line told", func() bool { return b.logged(folder, ") is down: ") })
	next, device := pty(t)
	must(t, os.Symlink(device, name))
	heard := b.status().Link.Frames
	b.flyOver(line{f: next})
	soon(t, "the craft heard again", func() bool { return b.status().Link.Frames > heard+20 })
	soon(t, "the line told to be back", func() bool { return strings.Count(b.told(folder), ") is up") == 2 })
	time.Sleep(500 * time.Millisecond)
	s, err := board.Show()
	must(t, err)
	if st := b.status(); st.State != "tripped" || st.RelayOn || s.Power {
		t.Errorf("it is %s, relay %v, power %v", st.State, st.RelayOn, s.Power)
	}
	p.end()
}
