package signing

import (
	"encoding/hex"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

//fault:row the file of the signing key is damaged | refused with the reason
func TestReadKey(t *testing.T) {
	digits := hex.EncodeToString(key[:])
	for _, c := range []struct {
		name, text string
		mode       os.FileMode
		wrong      string
	}{
		{"raw", string(key[:]), 0o600, ""},
		{"digits", digits, 0o640, ""},
		{"digits in a line", digits + "\n", 0o400, ""},
		{"readable by others", digits, 0o644, "chmod 0640"},
		{"writable by its group", digits, 0o660, "chmod 0640"},
		{"short", digits[:62], 0o600, "want 32 bytes, or 64 hexadecimal digits (got 62 bytes)"},
		{"long", strings.Repeat("x", 1000), 0o600, "want 32 bytes"},
		{"no digits", strings.Repeat("x", 64), 0o600, "not all hexadecimal digits"},
		{"empty", "", 0o600, "got 0 bytes"},
		{"zeros", strings.Repeat("0", 64), 0o600, "all zeros"},
	} {
		file := filepath.Join(t.TempDir(), "key")
		if err := os.WriteFile(file, []byte(c.text), c.mode); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(file, c.mode); err != nil {
			t.Fatal(err)
		}
		got, err := ReadKey(file)
		switch {
		case c.wrong == "":
			if err != nil || got != key {
				t.Errorf("%s: %x, %v", c.name, got, err)
			}
		case err == nil || !strings.Contains(err.Error(), c.wrong):
			t.Errorf("%s: %v, want %q", c.name, err, c.wrong)
		case strings.Contains(err.Error(), digits[:16]):
			t.Errorf("%s: the error tells the key", c.name)
		}
	}
	if _, err := ReadKey(filepath.Join(t.TempDir(), "none")); err == nil {
		t.Error("a key file that is not there was read")
	}
	if _, err := ReadKey(t.TempDir()); err == nil || !strings.Contains(err.Error(), "regular file") {
		t.Errorf("a folder: %v", err)
	}
}

func TestSeenIsKept(t *testing.T) {
	file := filepath.Join(t.TempDir(), "signing", "seen.json")
	if s, err := ReadSeen(file); err != nil || len(s.Streams) != 0 {
		t.Fatalf("not there: %+v, %v", s, err)
	}
	d, c := door(Seen{}), craft()
	d.Datagram(nil, 0, c.frame(t, attitude, StampOf(wall)+7))
	for range 2 { // the second replaces the first
		if err := d.Seen(&d.Passed, 0).Write(file); err != nil {
			t.Fatal(err)
		}
	}
	s, err := ReadSeen(file)
	if err != nil || s.Newest != StampOf(wall)+7 || len(s.Streams) != 1 {
		t.Fatalf("%+v, %v", s, err)
	}
	left, err := os.ReadDir(filepath.Dir(file))
	if err != nil || len(left) != 1 {
		t.Errorf("left behind: %v, %v", left, err)
	}
	text, err := os.ReadFile(file)
	if err != nil || strings.Contains(string(text), hex.EncodeToString(key[:8])) {
		t.Errorf("it tells the key: %s %v", text, err)
	}
	for _, bad := range []string{"{", `{"schema":2}`, `[]`, ``} {
		if err := os.WriteFile(file, []byte(bad), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := ReadSeen(file); err == nil || !strings.Contains(err.Error(), "move it away") {
			t.Errorf("%q: %v", bad, err)
		}
	}
}
