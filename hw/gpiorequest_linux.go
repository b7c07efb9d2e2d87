package hw

import (
	"fmt"
	"time"

	"golang.org/x/sys/unix"
)

// What is asked of the kernel, and how its events read: bytes only, so that
// all of it can be tested without a chip.

// mostLines is the most lines of one request.
const mostLines = 64

// outputRequest asks for one output that is low from the moment it is one. The
// level is set in the same call that makes the line an output: there is no
// instant in which it could be high, and no first write that pulses it.
func outputRequest(line uint32, consumer string) *unix.GPIOV2LineRequest {
	r := newRequest([]uint32{line}, consumer)
	r.Config.Flags = lineOutput
	attribute(r, unix.GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES, 0, 1)
	return r
}

// inputRequest asks for inputs of one chip together, so that one call reads
// all their levels at one instant, and for their edges, or not.
func inputRequest(lines []uint32, inputs []GPIOInput, edges bool, consumer string) (*unix.GPIOV2LineRequest, error) {
	if len(lines) > mostLines {
		return nil, fmt.Errorf("at most %d lines of one chip (got %d)", mostLines, len(lines))
	}
	r := newRequest(lines, consumer)
	flags := uint64(lineInput)
	if edges {
		flags |= lineRising | lineFalling
		r.Event_buffer_size = EdgeRoom
	}
	r.Config.Flags = flags
	for _, pull := range []struct {
		bias Bias
		flag uint64
	}{{PullUp, linePullUp}, {PullDown, linePullDown}} {
		var mask uint64
		for i, in := range inputs {
			if in.Bias == pull.bias {
				mask |= 1 << i
			}
		}
		if mask != 0 {
			attribute(r, unix.GPIO_V2_LINE_ATTR_ID_FLAGS, flags|pull.flag, mask)
		}
	}
	var done uint64
	for i, in := range inputs {
		if in.Debounce == 0 || done>>i&1 == 1 {
			continue
		}
		var mask uint64
		for k, other := range inputs {
			if other.Debounce == in.Debounce {
				mask |= 1 << k
			}
		}
		done |= mask
		if int(r.Config.Num_attrs) == len(r.Config.Attrs) {
			return nil, fmt.Errorf("the kernel takes at most %d kinds of settings in one chip; use fewer different debounce times", len(r.Config.Attrs))
		}
		attribute(r, unix.GPIO_V2_LINE_ATTR_ID_DEBOUNCE, uint64(in.Debounce/time.Microsecond), mask)
	}
	return r, nil
}

func newRequest(lines []uint32, consumer string) *unix.GPIOV2LineRequest {
	r := &unix.GPIOV2LineRequest{Num_lines: uint32(len(lines))}
	copy(r.Offsets[:], lines)
	copy(r.Consumer[:len(r.Consumer)-1], consumer)
	return r
}

// attribute adds a setting for the lines of mask. Values and times lie in the
// same eight bytes as flags (a union in the kernel's header); a debounce time
// is the first four of them.
func attribute(r *unix.GPIOV2LineRequest, id uint32, value, mask uint64) {
	a := &r.Config.Attrs[r.Config.Num_attrs]
	r.Config.Num_attrs++
	a.Attr.Id, a.Mask = id, mask
	if id == unix.GPIO_V2_LINE_ATTR_ID_DEBOUNCE {
		value = firstHalf(uint32(value))
	}
	a.Attr.Flags = value
}
