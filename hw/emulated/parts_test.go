package emulated

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

// Parts are the programs and files that a board boots from.
type Parts struct {
	// Emulator is the path of qemu-system-aarch64.
	Emulator string
	// Kernel is the kernel image, Busybox a static busybox for arm64.
	Kernel, Busybox string
	// modules is the path of each kernel module by its name.
	modules map[string]string
}

// modules are what the stock kernel does not hold, in the order of loading:
// the emulator's network card and its port for commands.
var modules = []string{"virtio_mmio", "failover", "net_failover", "virtio_net", "virtio_console"}

// Cache is the folder that fetch fills.
func Cache() (string, error) {
	if dir := os.Getenv("DOWNHAUL_EMULATOR"); dir != "" {
		return dir, nil
	}
	dir, err := os.UserCacheDir()
	return filepath.Join(dir, "downhaul-emulator"), err
}

// Find looks for the parts on this computer. The error says what is missing and
// how to get it.
func Find() (Parts, error) {
	var p Parts
	var err error
	if p.Emulator, err = exec.LookPath("qemu-system-aarch64"); err != nil {
		return p, errors.New("no qemu-system-aarch64; install the package qemu-system-arm")
	}
	dir, err := Cache()
	if err != nil {
		return p, err
	}
	if _, err := os.Stat(filepath.Join(dir, "complete")); err != nil {
		return p, fmt.Errorf("no arm64 kernel in %s; run hw/emulated/fetch once", dir)
	}
	p.modules = map[string]string{}
	err = filepath.WalkDir(filepath.Join(dir, "root"), func(path string, d fs.DirEntry, err error) error {
		name := filepath.Base(path)
		switch {
		case err != nil || d.IsDir():
			return err
		case strings.HasPrefix(name, "vmlinuz-"):
			p.Kernel = path
		case name == "busybox" && filepath.Base(filepath.Dir(path)) == "bin":
			p.Busybox = path
		case strings.HasSuffix(name, ".ko"):
			p.modules[strings.TrimSuffix(name, ".ko")] = path
		}
		return nil
	})
	if err != nil {
		return p, err
	}
	for _, m := range modules {
		if p.modules[m] == "" {
			err = errors.Join(err, fmt.Errorf("no module %s", m))
		}
	}
	if p.Kernel == "" || p.Busybox == "" {
		err = errors.Join(err, errors.New("no kernel image or no busybox"))
	}
	if err != nil {
		return p, fmt.Errorf("%s is not whole; remove it and run hw/emulated/fetch: %w", dir, err)
	}
	return p, nil
}
