package emulated

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
)

// sector is what a disk writes whole or not at all.
const sector = 512

// diskWrite is one thing that the guest asked of its disk.
type diskWrite struct {
	at    int64 // bytes from the disk's beginning
	data  []byte
	flush bool // what was written before is to be kept
}

// readWrites reads what the emulator's blklogwrites driver recorded: the format of Linux's
// dm-log-writes (kernel documentation, device-mapper, log-writes; drivers/md/dm-log-writes.c).
func readWrites(name string) ([]diskWrite, error) {
	const magic, version, head, flush, discard = 0x6a736677736872, 1, 32, 1, 4
	b, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	word := func(at int) uint64 { return binary.LittleEndian.Uint64(b[at:]) }
	if len(b) < sector || word(0) != magic || word(8) != version || binary.LittleEndian.Uint32(b[24:]) != sector {
		return nil, fmt.Errorf("%s: no log of writes of version %d in sectors of %d", name, version, sector)
	}
	var writes []diskWrite
	at := sector
	for i := range word(16) {
		if at+sector > len(b) {
			return nil, fmt.Errorf("%s: ends in entry %d of %d", name, i, word(16))
		}
		from, length, flags := int64(word(at))*sector, int(word(at+8))*sector, word(at+16)
		at += sector
		if flags&discard != 0 || at+length > len(b) {
			return nil, fmt.Errorf("%s: entry %d has flags %d and %d bytes", name, i, flags, length)
		}
		writes = append(writes, diskWrite{from, b[at : at+length], flags&flush != 0})
		at += length
	}
	return writes, nil
}

// cutDisk is the disk of a guest whose power is cut.
type cutDisk struct {
	kept   *os.File    // all up to the last flush
	after  []diskWrite // what followed
	writes []diskWrite // still to come
	passed int
}

// cut goes on to the first n writes and leaves in a file what is left of them: all up to
// the last flush among them, and of what followed a random part, some of it torn.
func (d *cutDisk) cut(n int, dice *rand.Rand, to string) error {
	for ; d.passed < n; d.passed++ {
		w := d.writes[d.passed]
		if d.after = append(d.after, w); !w.flush {
			continue
		}
		for _, w := range d.after {
			if _, err := d.kept.WriteAt(w.data, w.at); err != nil {
				return err
			}
		}
		d.after = d.after[:0]
	}
	if out, err := exec.Command("cp", "--sparse=always", d.kept.Name(), to).CombinedOutput(); err != nil {
		return fmt.Errorf("%w: %s", err, out)
	}
	f, err := os.OpenFile(to, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	share := dice.Float64()
	for _, w := range d.after {
		if dice.Float64() > share {
			continue
		}
		whole := len(w.data) / sector
		if whole > 1 && dice.IntN(4) == 0 {
			whole = 1 + dice.IntN(whole-1)
		}
		if _, e := f.WriteAt(w.data[:whole*sector], w.at); e != nil {
			err = e
		}
	}
	return errors.Join(err, f.Close())
}
