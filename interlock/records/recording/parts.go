package recording

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"downhaul/interlock/records/recorder"
)

// Parts names the files of the recording in a session's folder, in order, for OpenParts.
func Parts(folder string) ([]string, error) {
	var names []string
	for part := 1; ; part++ {
		name := filepath.Join(folder, recorder.FileName(part))
		if _, err := os.Stat(name); err != nil {
			if errors.Is(err, fs.ErrNotExist) {
				return names, nil
			}
			return names, fmt.Errorf("look for recording: %w", err)
		}
		names = append(names, name)
	}
}
