package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"downhaul/interlock/before/hazard"
	"downhaul/interlock/pad"
	"downhaul/interlock/records/stopping"
	"downhaul/interlock/sense"
	"downhaul/rules/document"
)

// senses holds every envelope with every card against the pad file, and what there is
// of the three alone.
func (c *checked) senses(today time.Time) {
	var stop stopping.Times
	if c.pad != nil {
		stop, _ = c.stop()
	}
	envelopes, cards := []*checkedFile{{}}, []*checkedFile{{}}
	for i := range c.Files {
		switch f := &c.Files[i]; f.Kind {
		case isEnvelope:
			envelopes = append(envelopes, f)
		case isCard:
			cards = append(cards, f)
		}
	}
	for _, e := range envelopes[min(1, len(envelopes)-1):] {
		for _, k := range cards[min(1, len(cards)-1):] {
			refused, doubts := hazard.Sense(&sense.Files{Pad: c.pad, Envelope: e.envelope, Card: k.card,
				PadFile: c.padFile, LimitFile: e.source, CardFile: k.source}, stop, c.heard, today)
			c.refuse(refused)
			c.doubt(doubts)
		}
	}
	c.doubt(pathDoubts(c.pad, c.padFile))
}

// refuse adds faults to their files, each once, and none where the reader has refused
// the key already.
func (c *checked) refuse(faults document.Faults) {
	for _, x := range faults {
		for i := range c.Files {
			if f := &c.Files[i]; f.File == x.File && !slices.ContainsFunc(f.Faults, func(y fault) bool { return y.Line == x.Line && y.Key == x.Key }) {
				f.add(document.Faults{x})
			}
		}
	}
	for i := range c.Files {
		slices.SortStableFunc(c.Files[i].Faults, func(a, b fault) int { return a.Line - b.Line })
	}
}

// doubt adds what may not be meant, each once, and nothing of a key that is refused.
func (c *checked) doubt(doubts document.Faults) {
	for _, x := range doubts {
		known := slices.Contains(c.Warnings, x.Error())
		for i := range c.Files {
			f := &c.Files[i]
			known = known || f.File == x.File && slices.ContainsFunc(f.Faults, func(y fault) bool { return y.Line == x.Line && y.Key == x.Key })
		}
		if !known {
			c.Warnings = append(c.Warnings, x.Error())
		}
	}
}

// pathDoubts says which paths of the pad file lead nowhere on this computer. The
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
		} else if info, err := os.Stat(at.path); err == nil && info.IsDir() && at.key != "log_folder" {
			out = append(out, from.Fault(0, "is a folder, and a socket cannot be made there", "name a file in it, such as guard.sock", at.key))
		}
	}
	if p.LogFolder != packagedFolder {
		look(p.LogFolder, "log_folder", "log folder", true)
	}
	look(p.SigningKey, "signing.key_file", "signing key", false)
	return out
}

// packagedFolder is the log folder that the package makes.
const packagedFolder = "/var/lib/downhaul"
