package guard

import (
	"bytes"
	"crypto/sha256"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/bluenviron/gomavlib/v3/pkg/dialects/common"
	"github.com/bluenviron/gomavlib/v3/pkg/frame"
	"github.com/bluenviron/gomavlib/v3/pkg/message"

	"downhaul/interlock/day/answers/told"
	"downhaul/interlock/day/intake"
	"downhaul/interlock/day/telemetry/signing"
	"downhaul/interlock/model/benchboard"
)

// signedFiles are files of a pad with a key.
func signedFiles(t testing.TB, dir string, mode os.FileMode) (Files, frame.V2Key) {
	t.Helper()
	key := sha256.Sum256([]byte("a key of this test"))
	file := filepath.Join(dir, "craft.key")
	must(t, os.WriteFile(file, key[:], 0o600))
	must(t, os.Chmod(file, mode))
	f := testFiles(t, dir, "tilt.toml")
	f.Pad.Text = append(bytes.Clone(f.Pad.Text), "\n[signing]\nkey_file = \""+file+"\"\n"...)
	return f, frame.V2Key(key)
}

// signed is an attitude frame of the craft, signed by the library unless key is
// nil.
func signed(t testing.TB, key *frame.V2Key, boot uint32, stamp signing.Stamp) []byte {
	t.Helper()
	var out bytes.Buffer
	w := &frame.Writer{ByteWriter: &out}
	rw := &message.ReadWriter{Message: &common.MessageAttitude{}}
	must(t, w.Initialize(), rw.Initialize())
	m := &common.MessageAttitude{TimeBootMs: boot, Roll: 0.01}
	f := &frame.V2Frame{SystemID: 1, ComponentID: 1, Message: rw.Write(m, true)}
	if key != nil {
		f.IncompatibilityFlag, f.SignatureTimestamp = 1, uint64(stamp)
	}
	f.Checksum = f.GenerateChecksum(rw.CRCExtra())
	if key != nil {
		f.Signature = f.GenerateSignature(key)
	}
	must(t, w.Write(f))
	return out.Bytes()
}

// Promise 10, with a key: an unsigned frame of the craft is not heard and not
// recorded, and a signed one is heard once, also across a restart.
func TestPromise10_GuardHearsOnlySigned(t *testing.T) {
	dir := shortDir(t)
	files, key := signedFiles(t, dir, 0o600)
	now := signing.StampOf(time.Now())
	first := signed(t, &key, 1000, now)
	// What the guard shows is a picture of a tenth of a second ago.
	send := func(g *Guard, at *time.Duration, b []byte) told.Status {
		g.Telemetry(intake.Chunk{From: craftFrom, To: guardPort, Bytes: b})
		for range 50 {
			*at += 5 * ms
			g.Turn(*at)
		}
		return g.Status()
	}

	g, at := stepped(t, files)
	s := send(g, at, signed(t, nil, 900, 0))
	if s.Link.Frames != 0 || s.Signing.Unsigned != 1 || !strings.Contains(strings.Join(s.Trouble, "; "), "frames refused, 1: they are not signed") {
		t.Errorf("unsigned: %+v %+v %v", s.Link, s.Signing, s.Trouble)
	}
	send(g, at, first)
	if s = send(g, at, first); s.Link.Frames != 1 || s.Signing.Passed != 1 || s.Signing.Repeated != 1 {
		t.Errorf("signed, then the same once more: %+v %+v", s.Link, s.Signing)
	}
	must(t, g.Finish(*at))
	recorded, err := os.ReadFile(filepath.Join(g.Folder(), "recording.pcapng"))
	must(t, err)
	if n := bytes.Count(recorded, first); n != 1 {
		t.Errorf("the signed frame stands %d times in the recording", n)
	}
	if bytes.Contains(recorded, signed(t, nil, 900, 0)) {
		t.Error("the unsigned frame stands in the recording")
	}

	g, at = stepped(t, files)
	if s = send(g, at, first); s.Signing.Repeated != 1 || s.Link.Frames != 0 {
		t.Errorf("after a restart: %+v %+v", s.Link, s.Signing)
	}
	if s = send(g, at, signed(t, &key, 2000, now+1)); s.Link.Frames != 1 {
		t.Errorf("a new frame after a restart: %+v %+v", s.Link, s.Signing)
	}
	must(t, g.Finish(*at))
}

func TestKeyThatOthersReadIsRefused(t *testing.T) {
	dir := shortDir(t)
	files, _ := signedFiles(t, dir, 0o644)
	if _, err := Open(files, Options{Virtual: benchboard.Open, Software: "test", Room: 1}); err == nil || !strings.Contains(err.Error(), "chmod 0640") {
		t.Errorf("%v", err)
	}
	if n := sessions(t, dir); n != 0 {
		t.Errorf("%d sessions left behind", n)
	}
}
