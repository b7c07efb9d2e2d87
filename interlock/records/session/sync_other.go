//go:build !linux

package session

import "os"

type dataFile struct{ *os.File }
