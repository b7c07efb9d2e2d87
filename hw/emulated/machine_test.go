package emulated

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"time"
)

// guestPort is the guest's port on which it hears the craft, by UDP, and on which
// pinwork passes on what is asked of the guard, by TCP.
const guestPort = 40123

// Config states what is on the board.
type Config struct {
	// Programs are copied from this computer, by their path in the guest.
	Programs map[string]string
	// Texts are files of the guest by path.
	Texts map[string]string
	// Dir is a folder for sockets and image. Its path must be short: a socket's
	// address has room for about 100 bytes.
	Dir string
	// Changed is called for every change of an output pin, in order, by one
	// goroutine. It must not block.
	Changed func(at time.Time, pin int, high bool)
	// Tree is source text that is added to the machine's device tree; empty for none.
	Tree string
	// Processors is how many there are, 0 for one. With two, the guest's interrupt
	// thread runs edges of an input together.
	Processors int
	// Disk is the path of the image of a disk, the guest's /dev/vda; empty for none.
	// Writes, if set, is a file in which everything that the guest asks of it is recorded.
	Disk, Writes string
	// System has the guest go on with the system on that disk: its first program is
	// /sbin/init there, and whatever reads commands is the system's to start.
	System bool
	// Kernel is what is added to the kernel's command line.
	Kernel string
	// Modules are loaded at boot, in order, behind those that every board has.
	Modules []string
	// Spare are modules that are only put into the guest's folder /modules.
	Spare []string
}

// Line is one line of the console, with the time at which its end was read.
type Line struct {
	At   time.Time
	Text string
}

// Machine is a running emulated computer.
type Machine struct {
	// Address is the loopback address whose datagrams and connections reach guestPort.
	Address string
	// Booted is how long it took until commands were taken.
	Booted time.Duration

	cmd     *exec.Cmd
	exited  chan struct{} // closed when the emulator has ended
	exitErr error         // valid then
	pins    *pins
	monitor *monitor
	command net.Conn
	answers *bufio.Reader
	said    bytes.Buffer // of the emulator itself

	mu    sync.Mutex
	lines []Line
	more  chan struct{} // closed and made anew with every line
}

// connectWithin is how long the emulator may take to open its sockets, and
// bootWithin how long the guest may take to boot, on a busy computer.
const (
	connectWithin = 20 * time.Second
	bootWithin    = 5 * time.Minute
)

// Boot starts the machine and waits until it takes commands. Every input pin is
// low. Output pins are reported from before the first instruction on.
func (p Parts) Boot(ctx context.Context, cfg Config) (_ *Machine, err error) {
	image := filepath.Join(cfg.Dir, "image")
	if _, err := os.Stat(image); err != nil { // a second boot in the same folder is of the same
		if err := p.writeImage(image, cfg); err != nil {
			return nil, fmt.Errorf("write the image: %w", err)
		}
	}
	machine := p.machine(cfg)
	if cfg.Tree != "" {
		tree, err := p.tree(ctx, cfg)
		if err != nil {
			return nil, fmt.Errorf("device tree: %w", err)
		}
		machine = append(machine, "-dtb", tree)
	}
	port, err := freePort()
	if err != nil {
		return nil, err
	}
	m := &Machine{Address: fmt.Sprintf("127.0.0.1:%d", port), exited: make(chan struct{}), more: make(chan struct{})}
	machine = append(machine, cfg.disk()...)
	socket := func(name string) string { return filepath.Join(cfg.Dir, name) }
	chardev := func(name string) string {
		return fmt.Sprintf("socket,id=%s,path=%s,server=on,wait=off", name, socket(name))
	}
	m.cmd = exec.CommandContext(ctx, p.Emulator, append(machine, "-accel", "tcg,thread=multi", "-no-reboot", "-S",
		"-kernel", p.Kernel, "-initrd", image, "-append", strings.TrimSpace("console=ttyAMA0 mitigations=off nokaslr quiet panic=-1 "+cfg.Kernel),
		"-chardev", chardev("console"), "-serial", "chardev:console",
		"-chardev", chardev("command"), "-device", "virtio-serial-device", "-device", "virtserialport,chardev=command,name=command",
		"-netdev", fmt.Sprintf("user,id=net,restrict=on,hostfwd=udp:%[1]s-10.0.2.15:%[2]d,hostfwd=tcp:%[1]s-10.0.2.15:%[2]d", m.Address, guestPort), "-device", "virtio-net-device,netdev=net",
		"-qtest", "unix:"+socket("pins")+",server=on,wait=off", "-qtest-log", "none",
		"-qmp", "unix:"+socket("monitor")+",server=on,wait=off")...)
	m.cmd.Stdout, m.cmd.Stderr = &m.said, &m.said
	if err := m.cmd.Start(); err != nil {
		return nil, err
	}
	go func() { m.exitErr = m.cmd.Wait(); close(m.exited) }()
	defer func() {
		if err != nil {
			m.Close()
			err = fmt.Errorf("%w\nemulator: %s\nconsole: %s", err, strings.TrimSpace(m.said.String()), m.Console())
		}
	}()
	var conns [4]net.Conn
	for i, name := range []string{"console", "command", "pins", "monitor"} {
		if conns[i], err = m.connect(socket(name)); err != nil {
			return nil, err
		}
	}
	go m.readConsole(conns[0])
	m.command, m.answers = conns[1], bufio.NewReader(conns[1])
	if m.monitor, err = newMonitor(conns[3]); err != nil {
		return nil, err
	}
	m.pins = &pins{conn: conns[2], changed: cfg.Changed}
	if m.pins.chip, err = m.monitor.findChip(); err != nil {
		return nil, err
	}
	go m.pins.read()
	if err := m.pins.intercept(); err != nil {
		return nil, err
	}
	began := time.Now()
	if err := m.monitor.do("cont", nil, nil); err != nil {
		return nil, err
	}
	if _, err := m.answer("@@up", bootWithin); err != nil {
		return nil, fmt.Errorf("boot: %w", err)
	}
	m.Booted = time.Since(began)
	return m, nil
}

// machine is what of the emulated computer its device tree depends on.
func (p Parts) machine(cfg Config) []string {
	return []string{"-M", "virt", "-cpu", "cortex-a72", "-smp", fmt.Sprint(max(cfg.Processors, 1)), "-m", "512", "-nodefaults", "-display", "none"}
}

// disk is the arguments for the disk. What the guest asks to be flushed stays in the page
// cache of this computer, which is not what is cut off.
func (c *Config) disk() []string {
	if c.Disk == "" {
		return nil
	}
	args := []string{"-blockdev", "driver=file,node-name=image,cache.no-flush=on,filename=" + c.Disk, "-device", "virtio-blk-device,drive=disk"}
	if c.Writes == "" {
		return append(args, "-blockdev", "driver=raw,node-name=disk,file=image")
	}
	return append(args, "-blockdev", "driver=file,node-name=writes,cache.no-flush=on,filename="+c.Writes,
		"-blockdev", "driver=blklogwrites,node-name=disk,file=image,log=writes")
}

// tree writes the machine's own device tree with the text of the config behind it,
// and gives its path.
func (p Parts) tree(ctx context.Context, cfg Config) (string, error) {
	own, source, to := filepath.Join(cfg.Dir, "own.dtb"), filepath.Join(cfg.Dir, "tree.dts"), filepath.Join(cfg.Dir, "tree.dtb")
	run := func(program string, args ...string) ([]byte, error) {
		out, err := exec.CommandContext(ctx, program, args...).CombinedOutput()
		if err != nil {
			err = fmt.Errorf("%w: %s", err, out)
		}
		return out, err
	}
	// The last machine given counts.
	if _, err := run(p.Emulator, append(p.machine(cfg), "-M", "virt,dumpdtb="+own)...); err != nil {
		return "", err
	}
	text, err := run("dtc", "-q", "-I", "dtb", "-O", "dts", own)
	if err != nil {
		return "", fmt.Errorf("%w; install the package device-tree-compiler", err)
	}
	if err := os.WriteFile(source, append(text, cfg.Tree...), 0o644); err != nil {
		return "", err
	}
	_, err = run("dtc", "-q", "-I", "dts", "-O", "dtb", "-o", to, source)
	return to, err
}

// freePort finds a port of the loopback address that nobody has, neither by UDP nor by TCP.
func freePort() (int, error) {
	l, err := net.ListenTCP("tcp4", &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		return 0, err
	}
	port := l.Addr().(*net.TCPAddr).Port
	c, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1), Port: port})
	if err == nil {
		err = c.Close()
	}
	return port, errors.Join(err, l.Close())
}

func (m *Machine) connect(path string) (net.Conn, error) {
	for end := time.Now().Add(connectWithin); ; time.Sleep(10 * time.Millisecond) {
		c, err := net.Dial("unix", path)
		switch {
		case err == nil:
			return c, nil
		case m.Ended():
			return nil, errors.New("the emulator ended at once")
		case time.Now().After(end):
			return nil, err
		}
	}
}

func (m *Machine) readConsole(c net.Conn) {
	for s := bufio.NewScanner(c); s.Scan(); {
		line := Line{time.Now(), strings.TrimRight(s.Text(), "\r")}
		m.mu.Lock()
		m.lines = append(m.lines, line)
		close(m.more)
		m.more = make(chan struct{})
		m.mu.Unlock()
	}
}

// answer reads the command port up to the line that starts with end.
func (m *Machine) answer(end string, within time.Duration) (before string, err error) {
	if err := m.command.SetReadDeadline(time.Now().Add(within)); err != nil {
		return "", err
	}
	var b strings.Builder
	for {
		line, err := m.answers.ReadString('\n')
		if err != nil {
			return b.String(), fmt.Errorf("waiting for the guest: %w (so far %q)", err, b.String()+line)
		}
		if rest, ok := strings.CutPrefix(line, end); ok {
			if code := strings.TrimSpace(rest); code != "" && code != "0" {
				return b.String(), fmt.Errorf("it ended with code %s: %s", code, strings.TrimSpace(b.String()))
			}
			return b.String(), nil
		}
		b.WriteString(line)
	}
}

// Do runs one line of shell in the guest and gives what it printed. A line that
// leaves something running must send its output elsewhere.
func (m *Machine) Do(line string) (string, error) {
	if _, err := fmt.Fprintln(m.command, line); err != nil {
		return "", err
	}
	out, err := m.answer(done, 3*time.Minute)
	if err != nil {
		return out, fmt.Errorf("in the guest, %s: %w", line, err)
	}
	return out, nil
}

// Set drives an input pin of the guest's GPIO chip.
func (m *Machine) Set(pin int, high bool) error { return m.pins.set(pin, high) }

// Lines gives the console's lines from number from on, and the number of the
// next one.
func (m *Machine) Lines(from int) ([]Line, int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	from = min(from, len(m.lines))
	return append([]Line(nil), m.lines[from:]...), len(m.lines)
}

// Wait waits for a console line, from number from on, that holds text. It gives
// the line and the number of the one behind it.
func (m *Machine) Wait(from int, text string, within time.Duration) (Line, int, error) {
	late := time.After(within)
	for {
		m.mu.Lock()
		for ; from < len(m.lines); from++ {
			if strings.Contains(m.lines[from].Text, text) {
				found := m.lines[from]
				m.mu.Unlock()
				return found, from + 1, nil
			}
		}
		more := m.more
		m.mu.Unlock()
		select {
		case <-more:
		case <-m.exited:
			return Line{}, from, fmt.Errorf("the machine ended without saying %q", text)
		case <-late:
			return Line{}, from, fmt.Errorf("in %v the console did not say %q", within, text)
		}
	}
}

// Console is everything the console said.
func (m *Machine) Console() string {
	lines, _ := m.Lines(0)
	var b strings.Builder
	for _, l := range lines {
		b.WriteString(l.Text + "\n")
	}
	return b.String()
}

// Ended reports whether the machine has stopped: a reset ends it.
func (m *Machine) Ended() bool {
	select {
	case <-m.exited:
		return true
	default:
		return false
	}
}

// WaitEnd waits until the machine stops.
func (m *Machine) WaitEnd(within time.Duration) error {
	select {
	case <-m.exited:
		return nil
	case <-time.After(within):
		return fmt.Errorf("the machine still runs after %v", within)
	}
}

// Close stops the emulator, if it still runs, by the process that Boot started.
func (m *Machine) Close() {
	if !m.Ended() {
		_ = m.cmd.Process.Signal(os.Kill) // an error means that it has just ended
	}
	<-m.exited
}
