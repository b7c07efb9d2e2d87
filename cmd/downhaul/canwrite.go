package main

import (
	"errors"
	"fmt"
	"os"
)

// asGuard is what to do where only the guard's own user may write: under the package's
// layout a crew member's group may add to some folders of records, and not to all.
const asGuard = "run it as the user that the guard runs as: sudo -u downhaul downhaul ..."

// canKeep reports whether a record could be kept in a folder: better asked before
// somebody works for half an hour.
func canKeep(dir string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("make the folder of records: %w", err)
	}
	f, err := os.CreateTemp(dir, ".unfinished-*")
	if err != nil {
		return fmt.Errorf("the record could not be kept: %w", err)
	}
	return errors.Join(f.Close(), os.Remove(f.Name()))
}
