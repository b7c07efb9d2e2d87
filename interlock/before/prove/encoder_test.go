package prove

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"github.com/bluenviron/gomavlib/v3/pkg/frame"
	"github.com/google/go-cmp/cmp"

	"downhaul/interlock"
	"downhaul/interlock/day/intake"
	"downhaul/rules"
	"downhaul/rules/architecture"
)

// encoderFolder is where testdata/encoder/fetch puts its library.
func encoderFolder() string {
	if dir := os.Getenv("DOWNHAUL_ENCODER"); dir != "" {
		return dir
	}
	cache, err := os.UserCacheDir()
	if err != nil {
		return ""
	}
	return filepath.Join(cache, "downhaul-encoder")
}

// asLine is a frame for the other encoder, which works out every byte of it
// anew.
func asLine(f *frame.V2Frame) ([]byte, error) {
	fields := map[string]any{}
	v := reflect.ValueOf(f.Message).Elem()
	for i := range v.NumField() {
		name := strings.ToLower(strings.ReplaceAll(v.Type().Field(i).Name, "_", ""))
		if own := v.Type().Field(i).Tag.Get("mavname"); own != "" {
			name = strings.ReplaceAll(strings.ToLower(own), "_", "")
		}
		fields[name] = asText(v.Field(i))
	}
	return json.Marshal(map[string]any{"id": f.Message.GetID(), "system": f.SystemID, "component": f.ComponentID, "seq": f.SequenceNumber, "fields": fields})
}

func asText(v reflect.Value) any {
	switch {
	case v.Kind() == reflect.Array:
		out := make([]any, v.Len())
		for i := range out {
			out[i] = asText(v.Index(i))
		}
		return out
	case v.CanFloat():
		return strconv.FormatUint(math.Float64bits(v.Float()), 10)
	case v.CanInt():
		return strconv.FormatInt(v.Int(), 10)
	case v.CanUint():
		return strconv.FormatUint(v.Uint(), 10)
	}
	return v.String()
}

// The frames of a whole proof, encoded anew by an implementation of the open
// standard that shares no line with the library, drive every case to the same
// outcome, in the same time, to the same digit.
func TestFramesOfAnotherEncoderDecideTheSame(t *testing.T) {
	node, err := exec.LookPath("node")
	architecture.Want(t, err == nil, "node is not installed; the frames of a second encoder are not tried")
	dir := encoderFolder()
	_, err = os.Stat(filepath.Join(dir, "complete"))
	architecture.Want(t, err == nil, "the second encoder is not there; interlock/before/prove/testdata/encoder/fetch installs it")

	var frames bytes.Buffer
	n := 0
	s := setupOf(t, demoFile(t, "envelope.toml"), demoFile(t, "pad.toml"))
	s.open = func(env *rules.Envelope, site interlock.Site, in intake.Config) (core, door, error) {
		c, d, err := openReal(env, site, in)
		return c, &keepingDoor{d, &frames, &n}, err
	}
	want, wantOwn := wholly(t, s)

	var lines, ours bytes.Buffer
	r := &frame.Reader{BufByteReader: bufio.NewReader(&frames), DialectRW: sums}
	must(t, r.Initialize())
	for range n {
		f, err := r.Read()
		must(t, err)
		b, err := asLine(f.(*frame.V2Frame))
		must(t, err)
		lines.Write(append(b, '\n'))
	}
	script, err := filepath.Abs("testdata/encoder/encode.mjs")
	must(t, err)
	cmd := exec.Command(node, script, dir)
	cmd.Stdin, cmd.Stderr = &lines, &ours
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("the second encoder: %v\n%s", err, &ours)
	}
	theirs := strings.Split(strings.TrimSuffix(string(out), "\n"), "\n")
	if len(theirs) != n {
		t.Fatalf("%d frames came back of %d", len(theirs), n)
	}

	astray := ""
	next, unknown, kinds := 0, map[uint32]int{}, map[uint32]int{}
	s = setupOf(t, demoFile(t, "envelope.toml"), demoFile(t, "pad.toml"))
	s.open = func(env *rules.Envelope, site interlock.Site, in intake.Config) (core, door, error) {
		c, d, err := openReal(env, site, in)
		return c, &wrongDoor{d, func(c *intake.Chunk) []byte {
			id := uint32(c.Bytes[7]) | uint32(c.Bytes[8])<<8 | uint32(c.Bytes[9])<<16
			if astray != "" || next >= len(theirs) {
				next++
				return c.Bytes
			}
			line := theirs[next]
			next++
			if line == "" {
				unknown[id]++
				return c.Bytes
			}
			kinds[id]++
			b, err := hex.DecodeString(line)
			switch {
			case err != nil:
				astray = fmt.Sprintf("frame %d: %v", next, err)
			case len(b) < 12 || id != uint32(b[7])|uint32(b[8])<<8|uint32(b[9])<<16 || b[4] != c.Bytes[4]:
				astray = fmt.Sprintf("frame %d stands for another one: the proof took another way", next)
			default:
				return b
			}
			return c.Bytes
		}, nil}, err
	}
	got, gotOwn := wholly(t, s)
	if astray != "" {
		t.Error(astray)
	}
	if next != n {
		t.Errorf("the second time %d frames, the first %d", next, n)
	}
	if d := cmp.Diff(want, got) + cmp.Diff(wantOwn, gotOwn); d != "" {
		t.Errorf("(- library, + second encoder)\n%s", d)
	}
	if len(kinds) < 8 {
		t.Errorf("only %d kinds of message were encoded anew", len(kinds))
	}
	t.Logf("%d frames, kinds encoded anew %v, unknown to it %v", n, kinds, unknown)
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
