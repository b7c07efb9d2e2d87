package emulated

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"
	"sync"
	"time"
)

// pins is the outside of the emulated GPIO chip: the emulator's socket for
// testing devices, by which levels of inputs are set and changes of outputs are
// told.
type pins struct {
	conn net.Conn
	chip string
	// changed is called for every change of an output, in order, by the one
	// goroutine that reads the socket.
	changed func(at time.Time, pin int, high bool)

	mu  sync.Mutex
	err error
}

// intercept begins to report what the chip's pins put out. A later change of an
// input needs no answer: the emulator does what it is sent, in order.
func (p *pins) intercept() error {
	_, err := fmt.Fprintf(p.conn, "irq_intercept_out %s\n", p.chip)
	return err
}

// set drives an input pin.
func (p *pins) set(pin int, high bool) error {
	level := 0
	if high {
		level = 1
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.err != nil {
		return p.err
	}
	_, err := fmt.Fprintf(p.conn, "set_irq_in %s unnamed-gpio-in %d %d\n", p.chip, pin, level)
	return err
}

// read runs until the socket is closed.
func (p *pins) read() {
	for s := bufio.NewScanner(p.conn); s.Scan(); {
		at := time.Now()
		words := strings.Fields(s.Text())
		switch {
		case len(words) == 3 && words[0] == "IRQ":
			if n, err := strconv.Atoi(words[2]); err == nil {
				p.changed(at, n, words[1] == "raise")
			}
		case len(words) > 0 && words[0] != "OK":
			p.mu.Lock()
			p.err = fmt.Errorf("the emulator does not take it: %s", s.Text())
			p.mu.Unlock()
		}
	}
}

// monitor is the emulator's own control socket.
type monitor struct {
	conn net.Conn
	in   *json.Decoder
}

func newMonitor(conn net.Conn) (*monitor, error) {
	m := &monitor{conn, json.NewDecoder(conn)}
	var greeting struct {
		QMP json.RawMessage
	}
	if err := m.in.Decode(&greeting); err != nil {
		return nil, fmt.Errorf("the emulator's greeting: %w", err)
	}
	return m, m.do("qmp_capabilities", nil, nil)
}

// do runs one command and waits for its answer.
func (m *monitor) do(command string, arguments map[string]any, into any) error {
	request := map[string]any{"execute": command}
	if arguments != nil {
		request["arguments"] = arguments
	}
	if err := json.NewEncoder(m.conn).Encode(request); err != nil {
		return err
	}
	for {
		var answer struct {
			Return json.RawMessage `json:"return"`
			Error  *struct {
				Desc string `json:"desc"`
			} `json:"error"`
		}
		switch err := m.in.Decode(&answer); {
		case err != nil:
			return fmt.Errorf("emulator, %s: %w", command, err)
		case answer.Error != nil:
			return fmt.Errorf("emulator, %s: %s", command, answer.Error.Desc)
		case answer.Return != nil && into != nil:
			return json.Unmarshal(answer.Return, into)
		case answer.Return != nil:
			return nil
		}
		// Anything else is an event.
	}
}

// findChip gives the path of the machine's GPIO chip, a PL061 with eight lines.
func (m *monitor) findChip() (string, error) {
	const folder = "/machine/unattached"
	var entries []struct{ Name, Type string }
	if err := m.do("qom-list", map[string]any{"path": folder}, &entries); err != nil {
		return "", err
	}
	for _, e := range entries {
		if strings.Contains(e.Type, "pl061") {
			return folder + "/" + e.Name, nil
		}
	}
	return "", errors.New("the emulated machine has no PL061 GPIO chip")
}
