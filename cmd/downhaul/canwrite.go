package main

import (
	"errors"
	"fmt"
	"os"
)

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
