//go:build !unix

package plain

const (
	nonblock   = 0
	onlyFolder = 0
)
