package signing

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"io"

	"downhaul/interlock/records/plain"
)

// Key is the secret that the craft and the guard share: 32 bytes.
type Key [32]byte

// ReadKey reads a key file: 32 bytes as they are, or 64 hexadecimal digits. It
// refuses a file that its group may write or that others may read or write:
// who can read it can speak for the craft.
func ReadKey(name string) (Key, error) {
	var k Key
	f, err := plain.Open(name, plain.Key)
	if err != nil {
		return k, fmt.Errorf("read the signing key: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return k, fmt.Errorf("read the signing key: %w", err)
	}
	const tooOpen = 0o027
	if mode := info.Mode().Perm(); mode&tooOpen != 0 {
		return k, fmt.Errorf("read the signing key %s: others may read it, or its group may write it (its mode is %04o); run: chmod 0640 %s", name, mode, name)
	}
	text, err := io.ReadAll(io.LimitReader(f, plain.Key.Most))
	if err != nil {
		return k, fmt.Errorf("read the signing key %s: %w", name, err)
	}
	switch digits := bytes.TrimSpace(text); {
	case len(text) == len(k):
		copy(k[:], text)
	case len(digits) == 2*len(k):
		if _, err := hex.Decode(k[:], digits); err != nil {
			return Key{}, fmt.Errorf("read the signing key %s: its 64 characters are not all hexadecimal digits; make a new one: head -c 32 /dev/urandom | xxd -p -c 64", name)
		}
	default:
		return k, fmt.Errorf("read the signing key %s: want 32 bytes, or 64 hexadecimal digits (got %d bytes); make one: head -c 32 /dev/urandom > %s", name, len(text), name)
	}
	if k == (Key{}) {
		return k, fmt.Errorf("read the signing key %s: it is all zeros, which anybody can guess; make one: head -c 32 /dev/urandom > %s", name, name)
	}
	return k, nil
}
