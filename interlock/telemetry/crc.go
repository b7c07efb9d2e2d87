package telemetry

// The checksum is CRC-16/MCRF4XX: polynomial 0x1021 reflected, start 0xFFFF,
// no final change; "123456789" gives 0x6F91 (MAVLink C library, checksum.h).
const (
	crcStart      = 0xFFFF
	crcPolynomial = 0x8408 // 0x1021 with its bits reversed
)

// crcTable[k][b] is the checksum of byte b followed by k zero bytes, so that
// eight bytes cost eight loads and no chain of eight dependent steps. It is
// written once, here.
var crcTable = makeCRCTable()

func makeCRCTable() (t [8][256]uint16) {
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
	for k := 1; k < 8; k++ {
		for b := range 256 {
			c := t[k-1][b]
			t[k][b] = c>>8 ^ t[0][c&0xFF]
		}
	}
	return t
}

// crcOf carries the checksum c on over b.
func crcOf(c uint16, b []byte) uint16 {
	for len(b) >= 8 {
		c ^= uint16(b[0]) | uint16(b[1])<<8
		c = crcTable[7][c&0xFF] ^ crcTable[6][c>>8] ^
			crcTable[5][b[2]] ^ crcTable[4][b[3]] ^ crcTable[3][b[4]] ^
			crcTable[2][b[5]] ^ crcTable[1][b[6]] ^ crcTable[0][b[7]]
		b = b[8:]
	}
	for _, v := range b {
		c = c>>8 ^ crcTable[0][byte(c)^v]
	}
	return c
}

// crcByte carries the checksum c on over one byte.
func crcByte(c uint16, v byte) uint16 { return c>>8 ^ crcTable[0][byte(c)^v] }
