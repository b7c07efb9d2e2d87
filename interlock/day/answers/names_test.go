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
	const schema, want = 4, "eefc5828ee624ebd67f3eb10f37e0c7e7fe8f0feb3313ae247856250169cad40"
	if got := hex.EncodeToString(sum.Sum(nil)); got != want || SeenSchema != schema {
		t.Errorf("what the codes stand for has changed: take SeenSchema up, and note here that with %d it is %s", SeenSchema, got)
	}
}
