package prooftest

import (
	"path/filepath"

	"downhaul/interlock/dated"
)

// Folder is where the records of a log folder stand, beside its sessions.
func Folder(logFolder string) string { return filepath.Join(logFolder, "commission") }

// CanWrite reports whether a record could be kept: better asked before the crew
// works for half an hour.
func CanWrite(logFolder string) error { return dated.CanWrite(Folder(logFolder)) }

// Write numbers the record and keeps it in the log folder: whole or not at
// all. It gives the path.
func (r *Record) Write(logFolder string) (string, error) {
	return dated.Write(Folder(logFolder), r.Made, func(number int) any { r.Number = number; return r })
}

// Records reads the records of a log folder, oldest first. What cannot be read is
// told, and nothing before it counts.
func Records(logFolder string) (records []*Record, trouble []error, err error) {
	return dated.ReadLast(Folder(logFolder), Schema, func(r *Record) (schema, number int) { return r.Schema, r.Number })
}
