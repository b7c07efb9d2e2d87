package answers

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"testing"

	"downhaul/interlock"
	"downhaul/rules"
)

// Codes are numbers on the socket, and a tool of another version would put other words
// to them. So a code that comes, goes or moves takes SeenSchema up with it.
func TestCodesAreThoseOfTheSchema(t *testing.T) {
	sum := sha256.New()
	for i := range 256 {
		fmt.Fprintln(sum, interlock.State(i), interlock.Sound(i), interlock.Reason(i), interlock.Line(i), rules.Quality(i), rules.Cause(i), rules.Stop(i))
	}
	fmt.Fprintln(sum, int(interlock.NeedLink), int(interlock.NeedReset)) // those that told goes by
	for _, c := range rules.Catalogue() {
		fmt.Fprintln(sum, c.ID, c.Name)
	}
	for _, id := range Shown {
		fmt.Fprintln(sum, id)
	}
	const schema, want = 3, "78b987f255c3587f499a7059264fa0e58d2a03947c9907a5d6ee5c4ae5f86838"
	if got := hex.EncodeToString(sum.Sum(nil)); got != want || SeenSchema != schema {
		t.Errorf("what the codes stand for has changed: take SeenSchema up, and note here that with %d it is %s", SeenSchema, got)
	}
}
