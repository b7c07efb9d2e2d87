package prove

import (
	"fmt"
	"maps"
	"math/rand"
	"os"
	"slices"
	"testing"

	"downhaul/rules"
)

// Envelopes by chance, of several rules each: nothing of a right core fails. The
// seeds are always the same; with DOWNHAUL_EVERY=1 they are many.
func TestNothingOfARightCoreFailsByChance(t *testing.T) {
	padText, err := os.ReadFile(provingPad)
	must(t, err)
	n := 8
	if os.Getenv("DOWNHAUL_EVERY") != "" {
		n = 300
	}
	for seed := range n {
		rnd := rand.New(rand.NewSource(int64(seed)))
		text := "version = 1\ntitle = \"x\"\n"
		for i := range 1 + rnd.Intn(6) {
			id := rules.ChannelID(1 + rnd.Intn(int(rules.ChannelCount)-1))
			if id == rules.Mean10 || id == rules.Peak10 || id == rules.Lull10 || id == rules.Mean2 || id == rules.CraftArmed {
				continue
			}
			rows := forms(id)
			keys := slices.Sorted(maps.Keys(rows))
			more := []string{now, soon, "stop = \"none\""}[rnd.Intn(3)]
			if rnd.Intn(2) == 0 {
				more += fmt.Sprintf("\nlasting = \"%d ms\"", []int{3, 20, 40, 100, 250, 700, 1500, 4000}[rnd.Intn(8)])
			}
			switch rnd.Intn(4) {
			case 0:
				more += "\nwhile = \"airborne\""
			case 1:
				more += "\nwhile = \"armed\""
			}
			if rnd.Intn(3) == 0 {
				more += fmt.Sprintf("\nstale_after = \"%d s\"", 1+rnd.Intn(4))
			}
			if rnd.Intn(4) == 0 && id.Channel().Kind != rules.Flag {
				more += fmt.Sprintf("\nfrozen_after = %d", 5+rnd.Intn(30))
			}
			text += wideRule(fmt.Sprintf("r%d", i), id.String(), rows[keys[rnd.Intn(len(keys))]], more)
		}
		env, fs := rules.ReadEnvelope("e", []byte(text))
		if env == nil || len(fs) > 0 {
			continue
		}
		s := setupOf(t, []byte(text), padText)
		if rnd.Intn(4) == 0 {
			s = signed(s, nil)
		}
		r, err := Run(s)
		if err != nil {
			t.Errorf("seed %d: %v\n%s", seed, err, text)
			continue
		}
		own, err := ownCases(s)
		must(t, err)
		for _, f := range faults(r, own...) {
			t.Errorf("seed %d: %s", seed, f)
		}
	}
}
