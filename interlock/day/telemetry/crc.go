package telemetry

import "encoding/binary"

// The checksum is CRC-16/MCRF4XX: polynomial 0x1021 reflected, start 0xFFFF,
// no final change; "123456789" gives 0x6F91 (MAVLink C library, checksum.h).
const (
	crcStart      = 0xFFFF
	crcPolynomial = 0x8408 // 0x1021 with its bits reversed
)

// crcTable[k][b] is the checksum of byte b followed by k zero bytes, so that
// sixteen bytes cost sixteen loads and no chain of sixteen dependent steps. It
// is written once, here.
var crcTable = makeCRCTable()

func makeCRCTable() (t [16][256]uint16) {
	for b := range 256 {
		c := uint16(b)
		for range 8 {
			if c&1 != 0 {
				c = c>>1 ^ crcPolynomial
			} else {
				c >>= 1
			}
		}
		t[0][b] = c
	}
	for k := 1; k < len(t); k++ {
		for b := range 256 {
			c := t[k-1][b]
			t[k][b] = c>>8 ^ t[0][c&0xFF]
		}
	}
	return t
}

// Checksum is the checksum of a frame of a message with that seed; b is the
// frame without its start byte and without its last two bytes.
func Checksum(b []byte, seed byte) uint16 {
	t, c := &crcTable, uint16(crcStart)
	// What needs the sum so far stands last: the other loads do not wait for it.
	for ; len(b) >= 16; b = b[16:] {
		x, y := binary.LittleEndian.Uint64(b), binary.LittleEndian.Uint64(b[8:])
		c ^= uint16(x)
		c = t[13][byte(x>>16)] ^ t[12][byte(x>>24)] ^ t[11][byte(x>>32)] ^ t[10][byte(x>>40)] ^ t[9][byte(x>>48)] ^ t[8][byte(x>>56)] ^
			t[7][byte(y)] ^ t[6][byte(y>>8)] ^ t[5][byte(y>>16)] ^ t[4][byte(y>>24)] ^ t[3][byte(y>>32)] ^ t[2][byte(y>>40)] ^ t[1][byte(y>>48)] ^ t[0][byte(y>>56)] ^
			t[15][byte(c)] ^ t[14][byte(c>>8)]
	}
	// Of the rest and the seed none waits for the one before.
	sum := uint16(0)
	for i, v := range b {
		sum ^= t[(len(b)-i)&15][v^byte(c)]
		c >>= 8
	}
	return sum ^ t[0][seed^byte(c)] ^ c>>8
}
