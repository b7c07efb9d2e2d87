package architecture

import (
	"os"
	"testing"
)

// strict is the environment variable under which a missing tool is a failure:
// the build machine has everything, so there a skip would hide a broken test.
const strict = "DOWNHAUL_CI"

// Need goes on when ok. Otherwise it skips the test with the reason, or fails
// it when DOWNHAUL_CI=1. The reason says what is missing, in plain words. It
// is for things the build machine can have: tools, emulators, kernel features.
func Need(t testing.TB, ok bool, reason string) {
	t.Helper()
	if ok {
		return
	}
	if os.Getenv(strict) == "1" {
		t.Fatalf("%s (with %s=1 this is a failure, not a skip)", reason, strict)
	} else {
		t.Skip(reason)
	}
}

// Want goes on when ok and otherwise skips the test with the reason,
// everywhere. It is for things that the build machine does not have: the data
// beside the repository, a real board.
func Want(t testing.TB, ok bool, reason string) {
	t.Helper()
	if !ok {
		t.Skip(reason)
	}
}
