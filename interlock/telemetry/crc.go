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

// crcOf carries the checksum c on over b.
func crcOf(c uint16, b []byte) uint16 {
	for len(b) >= 16 {
		x, y := binary.LittleEndian.Uint64(b), binary.LittleEndian.Uint64(b[8:])
		x ^= uint64(c)
		c = crcTable[15][byte(x)] ^ crcTable[14][byte(x>>8)] ^ crcTable[13][byte(x>>16)] ^ crcTable[12][byte(x>>24)] ^
			crcTable[11][byte(x>>32)] ^ crcTable[10][byte(x>>40)] ^ crcTable[9][byte(x>>48)] ^ crcTable[8][byte(x>>56)] ^
			crcTable[7][byte(y)] ^ crcTable[6][byte(y>>8)] ^ crcTable[5][byte(y>>16)] ^ crcTable[4][byte(y>>24)] ^
			crcTable[3][byte(y>>32)] ^ crcTable[2][byte(y>>40)] ^ crcTable[1][byte(y>>48)] ^ crcTable[0][byte(y>>56)]
		b = b[16:]
	}
	if len(b) >= 8 {
		x := binary.LittleEndian.Uint64(b) ^ uint64(c)
		c = crcTable[7][byte(x)] ^ crcTable[6][byte(x>>8)] ^ crcTable[5][byte(x>>16)] ^ crcTable[4][byte(x>>24)] ^
			crcTable[3][byte(x>>32)] ^ crcTable[2][byte(x>>40)] ^ crcTable[1][byte(x>>48)] ^ crcTable[0][byte(x>>56)]
		b = b[8:]
	}
	if len(b) >= 4 {
		x := binary.LittleEndian.Uint32(b) ^ uint32(c)
		c = crcTable[3][byte(x)] ^ crcTable[2][byte(x>>8)] ^ crcTable[1][byte(x>>16)] ^ crcTable[0][byte(x>>24)]
		b = b[4:]
	}
	for _, v := range b {
		c = crcByte(c, v)
	}
	return c
}

// Checksum is the checksum of a frame of a message with that seed; b is the
// frame without its start byte and without its last two bytes.
func Checksum(b []byte, seed byte) uint16 { return crcByte(crcOf(crcStart, b), seed) }

// crcByte carries the checksum c on over one byte.
func crcByte(c uint16, v byte) uint16 { return c>>8 ^ crcTable[0][byte(c)^v] }
