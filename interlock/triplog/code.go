package triplog

import (
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
)

// The code of a head is what somebody writes on paper at the end of a day: the
// first 75 bits of the chain's last value as 15 letters, and a sixteenth by which
// a slip of the pen is told from another log. Zero, O, one and I are left out.
const (
	codeLetters = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
	codeData    = 15
	codeGroup   = 4
)

// timesRoot multiplies by a root of x⁵+x²+1, which is primitive: its first 31
// powers differ, so that the check finds any one wrong letter and any two that
// stand in each other's place.
func timesRoot(v byte) byte {
	v <<= 1
	if v&32 != 0 {
		v ^= 0b100101
	}
	return v
}

// remainder is the code's letters as a polynomial over the field of 32, at the
// root: zero for a code with its check letter.
func remainder(values []byte) (sum byte) {
	for _, v := range values {
		sum = timesRoot(sum) ^ v
	}
	return sum
}

// Code returns the short form of a chain value given in hexadecimal digits, such
// as ABCD-EFGH-JKLM-NPQR; empty where that is none.
func Code(head string) string {
	raw, err := hex.DecodeString(head)
	if err != nil || len(raw) != len(link{}) {
		return ""
	}
	values := make([]byte, 0, codeData+1)
	for bit := 0; bit < 5*codeData; bit += 5 {
		pair := uint16(raw[bit/8])<<8 | uint16(raw[bit/8+1])
		values = append(values, byte(pair>>(11-bit%8))&31)
	}
	values = append(values, timesRoot(remainder(values)))
	var b strings.Builder
	for i, v := range values {
		if i > 0 && i%codeGroup == 0 {
			b.WriteByte('-')
		}
		b.WriteByte(codeLetters[v])
	}
	return b.String()
}

// ErrNoCode is wrapped where a text is no code of a head.
var ErrNoCode = errors.New("is not a code as it was shown")

// ParseCode reads a code as somebody typed it off the paper, with or without
// hyphens and capitals, and returns it in the form of Code. An error names the
// slip.
func ParseCode(text string) (string, error) {
	var letters strings.Builder
	var values []byte
	for _, c := range strings.ToUpper(text) {
		if strings.ContainsRune(" -.\t", c) {
			continue
		}
		v := strings.IndexRune(codeLetters, c)
		if v < 0 {
			return "", fmt.Errorf("%q %w: %q never stands in one (0, O, 1 and I are left out); look again", text, ErrNoCode, c)
		}
		if n := len(values); n > 0 && n%codeGroup == 0 {
			letters.WriteByte('-')
		}
		letters.WriteRune(c)
		values = append(values, byte(v))
	}
	if len(values) != codeData+1 {
		return "", fmt.Errorf("%q %w: it has %d letters and digits, want %d; look again", text, ErrNoCode, len(values), codeData+1)
	}
	if remainder(values) != 0 {
		return "", fmt.Errorf("%q %w: its last letter does not fit the others, so one was written or typed wrong; look again", text, ErrNoCode)
	}
	return letters.String(), nil
}
