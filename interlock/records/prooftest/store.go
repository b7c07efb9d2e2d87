package prooftest

import (
	"path/filepath"

	"downhaul/interlock/records/numbered"
)

// Folder is where the records of a log folder stand, beside its sessions.
func Folder(logFolder string) string { return filepath.Join(logFolder, "commission") }

// Records reads the records of a log folder, oldest first. What cannot be read is
// told, and nothing before it counts.
func Records(logFolder string) (records []*Record, trouble []error, err error) {
	return numbered.ReadLast(Folder(logFolder), Schema, func(r *Record) (schema, number int) { return r.Schema, r.Number })
}
