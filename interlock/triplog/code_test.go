package triplog

import (
	"errors"
	"math/big"
	"math/rand/v2"
	"strings"
	"testing"
)

func randomHead(r *rand.Rand) string {
	var l link
	for i := range l {
		l[i] = byte(r.Uint32())
	}
	return l.String()
}

// The letters but the last are the head's first 75 bits: worked out here from
// the whole number, not bit by bit.
func TestCode_IsTheFirstBits(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 1000 {
		head := randomHead(r)
		code := Code(head)
		n, _ := new(big.Int).SetString(head, 16)
		n.Rsh(n, 256-75)
		want := ""
		for range 15 {
			var v big.Int
			n.DivMod(n, big.NewInt(32), &v)
			want = string(codeLetters[v.Int64()]) + want
		}
		if got := strings.ReplaceAll(code, "-", ""); len(got) != 16 || got[:15] != want || len(code) != 19 {
			t.Fatalf("%s gives %s, want %s and a check letter in groups of four", head, code, want)
		}
		back, err := ParseCode(" " + strings.ToLower(strings.ReplaceAll(code, "-", " ")))
		if err != nil || back != code {
			t.Fatalf("%s reads back as %q, %v", code, back, err)
		}
	}
	for _, bad := range []string{"", "00", strings.Repeat("g", 64), strings.Repeat("0", 63)} {
		if got := Code(bad); got != "" {
			t.Errorf("%q gives a code: %s", bad, got)
		}
	}
}

// Every single wrong letter, and every two letters that changed places, are told
// as a slip of the pen: all of them, for many codes.
func TestCode_SlipsAreTold(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for range 50 {
		code := []byte(strings.ReplaceAll(Code(randomHead(r)), "-", ""))
		refused := func(what string) {
			t.Helper()
			if _, err := ParseCode(string(code)); !errors.Is(err, ErrNoCode) {
				t.Fatalf("%s: %s is taken (%v)", what, code, err)
			}
		}
		for i := range code {
			was := code[i]
			for _, c := range codeLetters {
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
	good := Code(strings.Repeat("5a", 32))
	for _, bad := range []string{good[:len(good)-1], good + "2", "0" + good[1:], "O" + good[1:], "l" + good[1:], "é" + good[1:], ""} {
		if _, err := ParseCode(bad); !errors.Is(err, ErrNoCode) {
			t.Errorf("%q is taken: %v", bad, err)
		}
	}
}
