package signing

import (
	"bytes"
	"encoding/hex"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"downhaul/interlock/records/plain"
)

// Whatever stands in the file of the key: it is a key by the words of the manual
// (32 bytes, or 64 hexadecimal digits, not all zero), or it is refused, and no
// refusal tells what stood there.
func FuzzReadKey(f *testing.F) {
	for _, text := range []string{strings.Repeat("k", 32), strings.Repeat("0a", 32), strings.Repeat("0A", 32) + "\n", "\t" + strings.Repeat("f0", 32) + " \r\n",
		strings.Repeat("\x00", 32), strings.Repeat("00", 32), strings.Repeat("g", 64), strings.Repeat("a", 31), strings.Repeat("a", 300), "", strings.Repeat("a", 63) + "\n"} {
		f.Add([]byte(text))
	}
	name := filepath.Join(f.TempDir(), "key")
	f.Fuzz(func(t *testing.T, text []byte) {
		if err := os.WriteFile(name, text, 0o600); err != nil {
			t.Fatal(err)
		}
		var want []byte
		if digits := bytes.TrimSpace(text); len(text) == 32 {
			want = text
		} else if raw, err := hex.DecodeString(string(digits)); err == nil && len(raw) == 32 && len(text) <= int(plain.Key.Most) {
			want = raw
		}
		k, err := ReadKey(name)
		switch {
		case err == nil && !bytes.Equal(k[:], want):
			t.Errorf("%q gave %x, want %x", text, k, want)
		case err == nil && k == Key{}:
			t.Error("a key of zeros was taken")
		case err != nil && want != nil && !bytes.Equal(want, make([]byte, 32)):
			t.Errorf("%q was refused: %v", text, err)
		case err != nil && k != Key{}:
			t.Errorf("a refusal leaves %x", k)
		case err != nil && len(text) > 15 && strings.Contains(err.Error(), string(text)):
			t.Errorf("the refusal tells what stood there: %v", err)
		}
	})
}
