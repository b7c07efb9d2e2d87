package inspect

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/big"
	"strings"

	"downhaul/interlock/records/triplog"
)

// errNoCode is wrapped where a text is no code of a head.
var errNoCode = errors.New("is not a code as it was shown")

// ParseCode reads the code of a head as somebody typed it off the paper, with or without
// hyphens and capitals, and returns it in the form of triplog.Code. An error names the
// slip.
func ParseCode(text string) (string, error) {
	const letters, bits = 16, 15 * 5 // the last letter checks the others
	typed, head := "", new(big.Int)
	for _, c := range strings.ToUpper(text) {
		if strings.ContainsRune(" -.\t", c) {
			continue
		}
		v := strings.IndexRune(triplog.CodeLetters, c)
		if v < 0 {
			return "", fmt.Errorf("%q %w: %q never stands in one (0, O, 1 and I are left out); look again", text, errNoCode, c)
		}
		if typed += string(c); len(typed) < letters {
			head.Or(head.Lsh(head, 5), big.NewInt(int64(v)))
		}
	}
	if len(typed) != letters {
		return "", fmt.Errorf("%q %w: it has %d letters and digits, want %d; look again", text, errNoCode, len(typed), letters)
	}
	code := triplog.Code(fmt.Sprintf("%064x", head.Lsh(head, 256-bits)))
	if strings.ReplaceAll(code, "-", "") != typed {
		return "", fmt.Errorf("%q %w: its last letter does not fit the others, so one was written or typed wrong; look again", text, errNoCode)
	}
	return code, nil
}

// IsLog reports whether a file can be a trip log at all, whatever was done to
// it: it is empty, or zeros, or begins as one, or has a chain in its first 64 KiB.
func IsLog(r io.Reader) (bool, error) {
	text, err := io.ReadAll(io.LimitReader(r, 64<<10))
	if err != nil {
		return false, err
	}
	text = bytes.TrimRight(text, "\x00")
	begins := []byte(`{"v":1,"n":`)
	return bytes.HasPrefix(begins, text) || bytes.HasPrefix(text, begins) || bytes.Contains(text, []byte(chainKey)), nil
}
