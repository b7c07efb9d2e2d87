package link

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"go.bug.st/serial"
)

// serialPoll is how long a read may wait for a byte: the port is closed only by
// the goroutine that reads it, which looks up this often.
const serialPoll = 200 * time.Millisecond

// openSerial opens the device raw, 8N1, without flow control. The system sets
// raw mode after opening: until then, for well under a millisecond and only if
// the device was left in another mode, its own echo may answer a byte.
func openSerial(cfg Config) (serial.Port, error) {
	p, err := serial.Open(cfg.Address, &serial.Mode{BaudRate: cfg.Baud, DataBits: 8, Parity: serial.NoParity, StopBits: serial.OneStopBit})
	if err != nil {
		return nil, serialError(cfg, err)
	}
	if err := p.SetReadTimeout(serialPoll); err != nil {
		p.Close()
		return nil, fmt.Errorf("open serial %s: set read timeout: %w", cfg.Address, err)
	}
	return p, nil
}

func serialError(cfg Config, err error) error {
	const where = "open serial %s: "
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf(where+"no such device; plug it in, or see whether it came back under another name (ls -l /dev/serial/by-id): %w", cfg.Address, err)
	}
	var pe *serial.PortError
	if errors.As(err, &pe) {
		switch pe.Code() {
		case serial.PortBusy:
			return fmt.Errorf(where+"another program has it open; end that: %w", cfg.Address, err)
		case serial.PermissionDenied:
			return fmt.Errorf(where+"this user may not open it; add the user to the group that owns the device: %w", cfg.Address, err)
		case serial.InvalidSpeed:
			return fmt.Errorf(where+"it does not do %d baud; take the speed the radio is set to: %w", cfg.Address, cfg.Baud, err)
		case serial.InvalidSerialPort:
			return fmt.Errorf(where+"not a serial device; look in /dev/serial/by-id: %w", cfg.Address, err)
		}
	}
	return fmt.Errorf(where+"%w", cfg.Address, err)
}

func (l *Link) runSerial(ctx context.Context) error {
	buf := make([]byte, maxDatagram)
	port := l.port
	var wait backoff
	for ctx.Err() == nil {
		var err error
		if port == nil {
			port, err = openSerial(l.cfg)
		}
		if err == nil {
			since := time.Now()
			l.up()
			err = l.readSerial(ctx, port, buf)
			port.Close()
			port = nil
			wait.held(time.Since(since))
		}
		if ctx.Err() != nil {
			return nil
		}
		d := wait.wait()
		l.down(err, d)
		if !sleep(ctx, d) {
			return nil
		}
	}
	if port != nil {
		port.Close()
	}
	return nil
}

// readSerial reads until the port fails or ctx ends.
func (l *Link) readSerial(ctx context.Context, p serial.Port, buf []byte) error {
	for ctx.Err() == nil {
		n, err := p.Read(buf)
		if n > 0 {
			l.onPacket(Packet{Link: l.cfg.Number, Bytes: buf[:n]})
		}
		if err != nil {
			return fmt.Errorf("read serial %s: the device is gone or failed (unplugged? it may come back under another name; one under /dev/serial/by-id stays): %w", l.cfg.Address, err)
		}
	}
	return nil
}
