package hw

import (
	"unsafe"

	"golang.org/x/sys/unix"
)

// OwnLine is what a test puts in the place of lines that the kernel holds: events come by
// a descriptor of the test's own, and levels are read and written by a call of the kernel
// that costs about the same and does nothing.
type OwnLine struct {
	FD    int
	High  func() uint64 // the level of each line, in the order of the request
	Wrote func(high bool)
}

// OpenOn opens a board on lines of a test's own; line is asked for each request, with the
// numbers of its lines.
func OpenOn(cfg GPIOConfig, line func(lines []uint32, output bool) OwnLine) (Board, error) {
	return openGPIO(cfg, parts{kernel: ownKernel(line), clock: kernelTime, loadCell: openLoadCell})
}

type ownKernel func([]uint32, bool) OwnLine

func (k ownKernel) open(string) (chipDevice, error) { return k, nil }
func (ownKernel) info() (unix.GPIOChipInfo, error) {
	return unix.GPIOChipInfo{Name: [32]byte{'o'}, Lines: 64}, nil
}
func (ownKernel) lineInfo(line uint32) (i unix.GPIOV2LineInfo, err error) { return i, nil }
func (ownKernel) close() error                                            { return nil }

func (k ownKernel) request(r *unix.GPIOV2LineRequest) (lineRequest, error) {
	o := k(r.Offsets[:r.Num_lines], r.Config.Flags&lineOutput != 0)
	return ownLine{lineFile(o.FD), o}, nil
}

type ownLine struct {
	lineFile
	OwnLine
}

// Call is what a level costs the kernel.
func Call(fd int) error {
	var n int32
	return ioctl(fd, unix.TIOCINQ, unsafe.Pointer(&n))
}

func (o ownLine) values(mask uint64) (uint64, error) { return o.High() & mask, Call(o.FD) }

func (o ownLine) set(_, bits uint64) error {
	err := Call(o.FD)
	if o.Wrote != nil {
		o.Wrote(bits&1 == 1)
	}
	return err
}
