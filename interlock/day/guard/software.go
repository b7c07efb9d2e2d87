package guard

import (
	"cmp"
	"fmt"
	"runtime"
	"runtime/debug"
	"strings"

	"downhaul/interlock/records/session"
	"downhaul/interlock/records/triplog"
	"downhaul/rules"
)

// release is the version, and the commit where it is known, of a program that
// was built for a package; deploy/build sets it.
var release string

// Software names the program and the version or revision it was built from, for records.
func Software() string {
	name := "downhaul"
	if release != "" {
		return name + " " + release
	}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return name
	}
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision" && len(s.Value) >= 12:
			name += " " + s.Value[:12]
		case s.Key == "vcs.modified" && s.Value == "true":
			name += " changed"
		}
	}
	return name
}

// Version returns a program's version or revision, Go, and the forms of its files, a line each.
func Version(program string) string {
	of := cmp.Or(strings.TrimPrefix(Software(), "downhaul"), ", revision not known")
	return fmt.Sprintf("%s%s\n%s %s/%s\npad, envelope and card version %d; session.json version %d; trips.jsonl version %d\n",
		program, of, runtime.Version(), runtime.GOOS, runtime.GOARCH, rules.FileVersion, session.Version, triplog.Version)
}
