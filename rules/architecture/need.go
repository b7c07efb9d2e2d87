package architecture

import (
	"os"
	"path/filepath"
	"runtime"
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

// dataFolder is the environment variable that names the folder of data which nobody here
// made; without it, shared/data beside the project is meant.
const dataFolder = "DOWNHAUL_DATA"

// Data returns the paths of the files below the data folder that match the pattern of
// filepath.Glob, such as "thrust-stand/*.csv". Where there is none, it skips the test.
func Data(t testing.TB, pattern string) []string {
	t.Helper()
	folder := os.Getenv(dataFolder)
	if folder == "" {
		_, here, _, _ := runtime.Caller(0)
		folder = filepath.Join(filepath.Dir(here), "..", "..", "..", "shared", "data")
	}
	names, err := filepath.Glob(filepath.Join(folder, pattern))
	if err != nil {
		t.Fatal(err)
	}
	Want(t, len(names) > 0, "no "+pattern+" in "+folder+" (another folder: "+dataFolder+"=DIR)")
	return names
}
