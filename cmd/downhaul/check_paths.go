package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"downhaul/interlock/pad"
	"downhaul/interlock/sense"
	"downhaul/rules/document"
)

// pathDoubts returns which paths of the pad file lead nowhere on this computer. The
// packaged log folder is made by the package.
func pathDoubts(p *pad.Pad, from sense.Source) (out document.Faults) {
	if p == nil {
		return nil
	}
	look := func(path, key, what string, folder bool) {
		switch info, err := os.Stat(path); {
		case path == "":
		case os.IsNotExist(err) && folder:
			out = append(out, from.Fault(0, "there is no such folder on this computer, and no guard starts without it", fmt.Sprintf("make it (mkdir -p %s), or name another", path), key))
		case err != nil:
			out = append(out, from.Fault(0, fmt.Sprintf("the %s cannot be read on this computer: %v", what, err), "mend the path", key))
		case info.IsDir() != folder:
			out = append(out, from.Fault(0, map[bool]string{true: "is no folder", false: "is a folder"}[folder], "name the "+what, key))
		}
	}
	for _, at := range []struct{ path, key string }{{p.LogFolder, "log_folder"}, {p.Socket, "socket"}, {p.Board.Socket, "board.socket"}} {
		if at.path != "" && !filepath.IsAbs(at.path) {
			out = append(out, from.Fault(0, "is no whole path: where it leads hangs on the folder in which the guard is started", "write it from the root", at.key))
			continue
		} else if at.key == "log_folder" || at.path == "" {
			continue
		}
		folder := filepath.Dir(at.path)
		switch info, err := os.Stat(at.path); {
		case err == nil && info.IsDir():
			out = append(out, from.Fault(0, "is a folder, and a socket cannot be made there", "name a file in it, such as guard.sock", at.key))
		case err == nil && info.Mode()&os.ModeSocket == 0:
			out = append(out, from.Fault(0, "is a file already, and no socket", "name one that is not there yet", at.key))
		case err != nil && folder != packagedRun:
			if _, err := os.Stat(folder); os.IsNotExist(err) {
				out = append(out, from.Fault(0, "there is no folder "+folder+" on this computer, so no socket can be made in it", "make it, or name another", at.key))
			}
		}
	}
	for _, top := range systemFolders {
		if at := filepath.Clean(p.LogFolder); at == top || top != "/" && strings.HasPrefix(at, top+"/") {
			out = append(out, from.Fault(0, "belongs to the system, and is no place for records", "name a folder of its own", "log_folder"))
		}
	}
	if at := filepath.Clean(p.LogFolder); at == "/tmp" || at == os.TempDir() {
		out = append(out, from.Fault(0, "is emptied by the system, and the records with it", "name a folder of its own", "log_folder"))
	}
	if p.LogFolder != packagedFolder {
		look(p.LogFolder, "log_folder", "log folder", true)
	}
	look(p.SigningKey, "signing.key_file", "signing key", false)
	return out
}

// packagedFolder is the log folder that the package makes, packagedRun that of its socket.
const packagedFolder, packagedRun = "/var/lib/downhaul", "/run/downhaul"

// systemFolders keep no records: some are no disk, and some are the system's own.
var systemFolders = []string{"/", "/proc", "/sys", "/dev", "/run", "/etc", "/boot", "/bin", "/sbin", "/lib", "/usr"}
