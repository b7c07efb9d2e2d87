package guard

import "runtime/debug"

// release is the version, and the commit where it is known, of a program that
// was built for a package; deploy/build sets it.
var release string

// Software names the program and the version or revision it was built from, for
// records.
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
