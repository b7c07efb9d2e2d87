package triplog

import "io"

// VerifyParts is VerifyFiles on files that are open.
func VerifyParts(readers ...io.Reader) (Report, error) { return walk(readers, nil) }
