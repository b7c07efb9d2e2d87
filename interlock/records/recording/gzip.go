package recording

import (
	"bufio"
	"compress/gzip"
	"errors"
	"fmt"
	"io"

	"downhaul/interlock/records/plain"
)

// mostUnpacked bounds what a compressed recording is unpacked to, in bytes; ours. A small
// file can be made to unpack without end.
const mostUnpacked = 4 << 30

// unpacked reads what a gzip file holds (RFC 1952). Where that breaks off, or is damaged,
// it ends.
type unpacked struct {
	in    *gzip.Reader
	n     int64
	broke error
}

// unpack returns in, or what it holds where it begins as a gzip file does; z is nil for
// others.
func unpack(in io.Reader) (out io.Reader, z *unpacked) {
	b := bufio.NewReader(in)
	if head, _ := b.Peek(2); string(head) != "\x1f\x8b" {
		return b, nil
	}
	z = &unpacked{}
	z.in, z.broke = gzip.NewReader(b)
	return z, z
}

func (z *unpacked) Read(p []byte) (int, error) {
	if z.broke != nil {
		return 0, io.EOF
	}
	n, err := z.in.Read(p)
	if z.n += int64(n); z.n > mostUnpacked {
		return 0, fmt.Errorf("the file is compressed with gzip and unpacks to more than %s, the most that is read so: unpack it first (gunzip FILE)", plain.Size(mostUnpacked))
	}
	if err != nil && !errors.Is(err, io.EOF) {
		z.broke, err = err, io.EOF
	}
	return n, err
}

// notes are what people must know of a recording that was compressed: how far it went.
func (z *unpacked) notes() []string {
	switch {
	case z == nil:
		return nil
	case z.broke != nil:
		return []string{fmt.Sprintf("compressed with gzip, and broken off or damaged (%v; gunzip -t FILE says as much): what it unpacks to up to there is %s", z.broke, plain.Size(z.n))}
	}
	return []string{fmt.Sprintf("compressed with gzip, and read unpacked: %s", plain.Size(z.n))}
}
