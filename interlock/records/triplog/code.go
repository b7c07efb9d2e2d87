package triplog

import (
	"encoding/hex"
	"strings"
)

// The code of a head is what somebody writes on paper at the end of a day: the
// first 75 bits of the chain's last value as 15 letters, and a sixteenth by which
// a slip of the pen is told from another log (package inspect reads it back). Zero, O,
// one and I are left out.
const (
	CodeLetters = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
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
		b.WriteByte(CodeLetters[v])
	}
	return b.String()
}
