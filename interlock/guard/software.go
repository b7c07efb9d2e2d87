package guard

import "runtime/debug"

// Software names the program and the revision it was built from, for records.
func Software() string {
	name := "downhaul"
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
