package architecture

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

var rewriteCarries = flag.Bool("rewrite-carries", false, "write "+carriesFile+" anew; whoever lets it grow says why in the commit")

const (
	carriesFile = "cmd/downhauld/carries.txt"
	// mostCarried bounds what the daemon carries of ours. It goes down,
	// to the 26,500 lines that one person can read. It went up once, by 300: a start
	// that was refused on a slow link named no sign, and nobody at the pad could mend it;
	// and once by 500: the loop reads its sockets, the serial line and edges by itself, for which
	// a library was carried before; and once by 250: what only the crew can give (initials, a
	// ballast on a scale, inspections by hours, packs out after a crash) holds a start back.
	mostCarried = 32_700
	// carriesStep is what a package's figure is rounded up to, so that a comment
	// that is mended asks for no new list.
	carriesStep = 50
)

// mayBeForeign states which packages of the daemon may import what is neither ours nor
// the standard library's nor x/sys/unix, with the reason. Nothing that decides or
// turns the loop is among them.
var mayBeForeign = map[string]string{
	"rules/document":         "reads TOML, before anything is opened",
	"interlock/day/watchdog": "tells the service manager",
	"hw":                     "opens devices: buzzer, lamp and converter",
}

// carriedPackage is one package that the daemon carries.
type carriedPackage struct {
	ImportPath, Dir string
	Standard        bool
	GoFiles         []string
	Imports         []string
	Module          *struct {
		Path string
		Main bool
	}
}

// carries lists what the daemon carries on linux, amd64: our packages with their
// lines, comments included and tests not, and the modules of others.
func carries(t *testing.T) (ours map[string]int, modules []string, all []carriedPackage) {
	t.Helper()
	goFiles(t) // the cached result hangs on every source
	out, _ := goCommand(t, root, []string{"GOOS=linux", "GOARCH=amd64", "CGO_ENABLED=0"},
		"list", "-deps", "-json=ImportPath,Dir,Standard,GoFiles,Imports,Module", "./cmd/downhauld")
	ours = map[string]int{}
	for d := json.NewDecoder(strings.NewReader(out)); ; {
		var p carriedPackage
		err := d.Decode(&p)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		switch {
		case p.Standard || p.Module == nil:
			continue
		case !p.Module.Main:
			if !slices.Contains(modules, p.Module.Path) {
				modules = append(modules, p.Module.Path)
			}
			continue
		}
		all = append(all, p)
		name := strings.TrimPrefix(p.ImportPath, module+"/")
		for _, f := range p.GoFiles {
			text, err := os.ReadFile(filepath.Join(p.Dir, f))
			if err != nil {
				t.Fatal(err)
			}
			ours[name] += bytes.Count(text, []byte("\n"))
		}
	}
	slices.Sort(modules)
	return ours, modules, all
}

// The list of what the daemon carries is true, so that each growth is a decision.
func TestDaemonCarriesWhatIsListed(t *testing.T) {
	ours, modules, _ := carries(t)
	total := 0
	var names []string
	for name, lines := range ours {
		names, total = append(names, name), total+lines
	}
	if total > mostCarried {
		t.Errorf("downhauld carries %d lines of ours, at most %d: take something out", total, mostCarried)
	}
	if *rewriteCarries {
		slices.SortFunc(names, func(a, b string) int { return ours[b] - ours[a] })
		text := fmt.Sprintf("What downhauld carries of ours, in lines with comments and without tests, each\n"+
			"rounded up to %d, and the modules of others that it links. A test holds it;\n"+
			"go test ./rules/architecture -run Carries -rewrite-carries writes it anew, and the commit\n"+
			"says why something grew.\n\n", carriesStep)
		for _, name := range names {
			text += fmt.Sprintf("%6d %s\n", (ours[name]+carriesStep-1)/carriesStep*carriesStep, name)
		}
		text += "\n" + strings.Join(modules, "\n") + "\n"
		if err := os.WriteFile(filepath.Join(root, carriesFile), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	text, err := os.ReadFile(filepath.Join(root, carriesFile))
	if err != nil {
		t.Fatal(err)
	}
	parts := strings.Split(strings.TrimSpace(string(text)), "\n\n")
	if len(parts) != 3 {
		t.Fatalf("%s has %d parts, want words, packages and modules", carriesFile, len(parts))
	}
	listed := map[string]int{}
	for line := range strings.Lines(parts[1]) {
		var lines int
		var name string
		if _, err := fmt.Sscan(line, &lines, &name); err != nil {
			t.Fatalf("%s: %q: %v", carriesFile, line, err)
		}
		listed[name] = lines
	}
	const mend = "; if that is meant, write the list anew (-rewrite-carries) and say why"
	for name, lines := range ours {
		switch most, ok := listed[name]; {
		case !ok:
			t.Errorf("downhauld carries %s, %d lines, which %s does not list%s", name, lines, carriesFile, mend)
		case lines > most:
			t.Errorf("%s has %d lines, listed are %d%s", name, lines, most, mend)
		case lines <= most-2*carriesStep:
			t.Errorf("%s has %d lines, listed are %d: write the list anew (-rewrite-carries), so that it cannot grow back unseen", name, lines, most)
		}
	}
	for name := range listed {
		if _, ok := ours[name]; !ok {
			t.Errorf("%s lists %s, which downhauld no longer carries%s", carriesFile, name, mend)
		}
	}
	if want := strings.Split(parts[2], "\n"); !slices.Equal(modules, want) {
		t.Errorf("downhauld links %v, listed are %v%s", modules, want, mend)
	}
}

// What decides and what turns the loop stands on the standard library and the
// kernel's own calls alone: nobody has to read more to trust it.
func TestOnlyTheEdgesImportForeignCode(t *testing.T) {
	_, modules, all := carries(t)
	used := map[string]bool{}
	for _, p := range all {
		name := strings.TrimPrefix(p.ImportPath, module+"/")
		for _, imp := range p.Imports {
			foreign := slices.ContainsFunc(modules, func(m string) bool { return covers(m+"/...", imp) })
			if !foreign || imp == "golang.org/x/sys/unix" {
				continue
			}
			if mayBeForeign[name] == "" {
				t.Errorf("%s imports %s: only what opens devices or reads files may import foreign code", name, imp)
			}
			used[name] = true
		}
	}
	for name := range mayBeForeign {
		if !used[name] {
			t.Errorf("%s imports nothing foreign any more: take it out of the table", name)
		}
	}
	for _, ring1 := range []string{"interlock", "interlock/limits", "interlock/day/guard", "rules"} {
		if mayBeForeign[ring1] != "" {
			t.Errorf("%s decides or turns the loop", ring1)
		}
	}
}
