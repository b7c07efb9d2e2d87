package numbered

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
)

// ErrDamaged means that a record is not as it was written.
var ErrDamaged = errors.New("the record is not as it was written")

// hashField is the last field of a record: the SHA-256 of every byte before it.
const hashField = ",\n  \"sha256\": \""

// Encode is a record, a struct with at least one field, as it stands in its file.
func Encode(record any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(record); err != nil {
		return nil, fmt.Errorf("encode the record: %w", err)
	}
	body := bytes.TrimSuffix(b.Bytes(), []byte("\n}\n"))
	sum := sha256.Sum256(body)
	return append(body, hashField+hex.EncodeToString(sum[:])+"\"\n}\n"...), nil
}

// Decode holds a record against its own hash and reads it.
func Decode(text []byte, record any) error {
	at := bytes.LastIndex(text, []byte(hashField))
	if at < 0 {
		return fmt.Errorf("%w: it does not end in its sha256", ErrDamaged)
	}
	sum := sha256.Sum256(text[:at])
	if want := hashField + hex.EncodeToString(sum[:]) + "\"\n}\n"; string(text[at:]) != want {
		return fmt.Errorf("%w: its sha256 is another", ErrDamaged)
	}
	if err := json.Unmarshal(text, record); err != nil {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return nil
}
