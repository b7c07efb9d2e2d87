package inspect

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"downhaul/interlock/records/triplog"
)

func randomHead(r *rand.Rand) string {
	return fmt.Sprintf("%016x%016x%016x%016x", r.Uint64(), r.Uint64(), r.Uint64(), r.Uint64())
}

// Every single wrong letter, and every two letters that changed places, are told
// as a slip of the pen: all of them, for many codes.
func TestCode_SlipsAreTold(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for range 50 {
		code := []byte(strings.ReplaceAll(triplog.Code(randomHead(r)), "-", ""))
		if back, err := ParseCode(" " + strings.ToLower(string(code[:4])+" "+string(code[4:]))); err != nil || strings.ReplaceAll(back, "-", "") != string(code) {
			t.Fatalf("%s reads back as %q, %v", code, back, err)
		}
		refused := func(what string) {
			t.Helper()
			if _, err := ParseCode(string(code)); !errors.Is(err, errNoCode) {
				t.Fatalf("%s: %s is taken (%v)", what, code, err)
			}
		}
		for i := range code {
			was := code[i]
			for _, c := range triplog.CodeLetters {
				if byte(c) != was {
					code[i] = byte(c)
					refused("one letter wrong")
				}
			}
			code[i] = was
			for j := range i {
				if code[i] != code[j] {
					code[i], code[j] = code[j], code[i]
					refused("two letters exchanged")
					code[i], code[j] = code[j], code[i]
				}
			}
		}
	}
	good := triplog.Code(strings.Repeat("5a", 32))
	for _, bad := range []string{good[:len(good)-1], good + "2", "0" + good[1:], "O" + good[1:], "l" + good[1:], "é" + good[1:], ""} {
		if _, err := ParseCode(bad); !errors.Is(err, errNoCode) {
			t.Errorf("%q is taken: %v", bad, err)
		}
	}
}

// Whatever is done to a log by one byte or one cut, it is still told as a log.
func TestIsLog(t *testing.T) {
	is := func(text []byte) bool {
		ok, err := IsLog(bytes.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		return ok
	}
	good := sample(t)
	for i := range good {
		work := bytes.Clone(good)
		work[i] ^= 1
		if !is(work) || !is(good[:i]) {
			t.Fatalf("byte %d changed, or cut there: no log any more", i)
		}
	}
	for _, text := range []string{"", "\x00\x00", strings.Repeat("\x00", 1<<20)} {
		if !is([]byte(text)) {
			t.Errorf("%.10q may be what a power cut left of one", text)
		}
	}
	for _, text := range []string{"[board]\n", `{"v":1}`, "\x0a\x0d\x0d\x0a\x1c", "holiday", `{"at_ns":1,"kind":"trip"}`} {
		if is([]byte(text)) {
			t.Errorf("%q is taken for a trip log", text)
		}
	}
}
