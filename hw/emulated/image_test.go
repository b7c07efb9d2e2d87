package emulated

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path"
	"slices"
	"strings"
)

// image writes the archive that the kernel unpacks as its first file system:
// the "new ASCII" form of cpio (kernel documentation, early userspace, buffer
// format). It is not compressed: the emulated processor would take longer to
// unpack it than this one to write it.
type image struct {
	w     *bufio.Writer
	inode uint32
	dirs  map[string]bool
	err   error
}

const (
	modeFile = 0o100000
	modeDir  = 0o040000
)

func newImage(w io.Writer) *image {
	return &image{w: bufio.NewWriter(w), dirs: map[string]bool{".": true, "/": true}}
}

// entry writes one header, its name and its bytes, each padded to four bytes.
func (m *image) entry(name string, mode uint32, body []byte) {
	if m.err != nil {
		return
	}
	m.inode++
	// magic, inode, mode, uid, gid, links, time, size, two device numbers for
	// the file, two for what it stands for, length of the name, checksum.
	head := fmt.Sprintf("070701%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%08X%s\x00",
		m.inode, mode, 0, 0, 1, 0, len(body), 0, 0, 0, 0, len(name)+1, 0, name)
	m.write([]byte(head))
	m.pad(len(head))
	m.write(body)
	m.pad(len(body))
}

func (m *image) write(b []byte) {
	if m.err == nil {
		_, m.err = m.w.Write(b)
	}
}

func (m *image) pad(n int) { m.write(make([]byte, (4-n%4)%4)) }

// dir makes a folder with every folder above it.
func (m *image) dir(name string) {
	if m.dirs[name] {
		return
	}
	m.dir(path.Dir(name))
	m.dirs[name] = true
	m.entry(strings.TrimPrefix(name, "/"), modeDir|0o755, nil)
}

// file puts a file at an absolute path.
func (m *image) file(name string, body []byte, executable bool) {
	m.dir(path.Dir(name))
	mode := uint32(modeFile | 0o644)
	if executable {
		mode |= 0o111
	}
	m.entry(strings.TrimPrefix(name, "/"), mode, body)
}

func (m *image) close() error {
	m.entry("TRAILER!!!", 0, nil)
	if m.err != nil {
		return m.err
	}
	return m.w.Flush()
}

// first is what the kernel starts: it readies the board and then does what
// comes in by the port for commands, one line each, and says how it went.
const first = `#!/bin/busybox sh
/bin/busybox mkdir -p /proc /sys /dev /tmp /run /log
/bin/busybox --install -s /bin
export PATH=/bin
mount -t proc proc /proc
mount -t sysfs sys /sys
mount -t devtmpfs dev /dev
mount -t tmpfs tmp /tmp
mount -t tmpfs -o size=3g log /log
for m in @MODULES@; do insmod /modules/$m.ko; done
@ON@
ip addr add 127.0.0.1/8 dev lo
ip link set lo up
ip addr add 10.0.2.15/24 dev eth0
ip link set eth0 up
exec sh /port
`

// port answers commands that come in over the machine's port for them.
const port = `#!/bin/sh
i=0
until set -- /dev/vport*p1; [ -e "$1" ] || [ $i -ge 100 ]; do sleep 0.05; i=$((i + 1)); done
exec 3<>"$1"
exec sh /commands <&3 >&3 2>&3 3>&-
`

// onDisk goes on with the system on the disk.
const onDisk = `mkdir /system
mount -t ext4 /dev/vda /system
exec switch_root /system /sbin/init`

// last word of every command's answer.
const done = "@@done "

const commands = `echo '@@up'
while read -r line; do
	eval "$line"
	echo "` + done + `$?"
done
`

// writeImage writes the image of a board.
func (p *Parts) writeImage(to string, cfg Config) (err error) {
	f, err := os.Create(to)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	m := newImage(f)
	on := ""
	if cfg.System {
		on = onDisk
	}
	start := strings.NewReplacer("@MODULES@", strings.Join(slices.Concat(modules, cfg.Modules), " "), "@ON@", on)
	m.file("/init", []byte(start.Replace(first)), true)
	m.file("/port", []byte(port), false)
	m.file("/commands", []byte(commands), false)
	copies := map[string]string{"/bin/busybox": p.Busybox}
	for _, name := range slices.Concat(modules, cfg.Modules, cfg.Spare) {
		if p.modules[name] == "" {
			return fmt.Errorf("the kernel has no module %s", name)
		}
		copies["/modules/"+name+".ko"] = p.modules[name]
	}
	maps.Copy(copies, cfg.Programs)
	for _, name := range slices.Sorted(maps.Keys(copies)) {
		body, err := os.ReadFile(copies[name])
		if err != nil {
			return err
		}
		m.file(name, body, !strings.HasSuffix(name, ".ko"))
	}
	for _, name := range slices.Sorted(maps.Keys(cfg.Texts)) {
		m.file(name, []byte(cfg.Texts[name]), false)
	}
	return m.close()
}
