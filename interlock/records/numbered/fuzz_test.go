package numbered

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"testing"
)

// Whatever stands in a record: it is read only if its own hash is right, and it
// is then what those bytes say.
func FuzzDecode(f *testing.F) {
	whole, err := Encode(sample{Schema: 1, Number: 3, Says: "passed"})
	if err != nil {
		f.Fatal(err)
	}
	for _, text := range [][]byte{whole, whole[:len(whole)-1], append(bytes.Clone(whole), ' '), bytes.ReplaceAll(whole, []byte("passed"), []byte("failed")), []byte("{}"), nil} {
		f.Add(text, false)
		f.Add(text, true)
	}
	f.Fuzz(func(t *testing.T, text []byte, hashed bool) {
		if hashed { // so that what lies behind the hash is tried too
			sum := sha256.Sum256(text)
			text = append(bytes.Clone(text), hashField+hex.EncodeToString(sum[:])+"\"\n}\n"...)
		}
		var got sample
		if err := Decode(text, &got); err != nil {
			return
		}
		at := bytes.LastIndex(text, []byte(hashField))
		if at < 0 {
			t.Fatalf("%q was taken without a hash", text)
		}
		if sum := sha256.Sum256(text[:at]); !bytes.Contains(text[at:], []byte(hex.EncodeToString(sum[:]))) {
			t.Fatalf("%q was taken with a wrong hash", text)
		}
		again, err := Encode(got)
		if err != nil {
			t.Fatal(err)
		}
		var same sample
		if err := Decode(again, &same); err != nil || same != got {
			t.Fatalf("%+v comes back as %+v, %v", got, same, err)
		}
	})
}
