package triplog

import (
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
			want = string(CodeLetters[v.Int64()]) + want
		}
		if got := strings.ReplaceAll(code, "-", ""); len(got) != 16 || got[:15] != want || len(code) != 19 {
			t.Fatalf("%s gives %s, want %s and a check letter in groups of four", head, code, want)
		}
	}
	for _, bad := range []string{"", "00", strings.Repeat("g", 64), strings.Repeat("0", 63)} {
		if got := Code(bad); got != "" {
			t.Errorf("%q gives a code: %s", bad, got)
		}
	}
}
