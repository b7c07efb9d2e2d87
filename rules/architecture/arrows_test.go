package architecture

import (
	"encoding/json"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
)

// listed is what the go command says of one package.
type listed struct {
	ImportPath   string
	Imports      []string
	TestImports  []string
	XTestImports []string
}

// packages asks the go command for every package of the module.
func packages(t *testing.T) []listed {
	t.Helper()
	goFiles(t) // the cached result hangs on every source
	out, _ := goCommand(t, root, nil, "list", "-json=ImportPath,Imports,TestImports,XTestImports", "./...")
	var all []listed
	for d := json.NewDecoder(strings.NewReader(out)); ; {
		var p listed
		err := d.Decode(&p)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
	if len(all) < len(pure) {
		t.Fatalf("the go command lists only %d packages", len(all))
	}
	return all
}

// forbidden are imports that no pure package may make, with the reason. A name
// ending in "/..." stands for everything below it too.
var forbidden = []struct{ path, reason string }{
	{"os/...", "a file or a variable of the environment is no input; replay could not repeat it"},
	{"io/fs", "a file is no input"},
	{"io/ioutil", "a file is no input"},
	{"embed", "the same text must come through the same door as any other"},
	{"net/...", "bytes reach the core as recorded chunks only"},
	{"syscall", "the core asks the machine nothing"},
	{"golang.org/x/sys/...", "the core asks the machine nothing"},
	{"runtime/...", "a decision may not hang on the machine it runs on"},
	{"context", "a context hides a clock"},
	{"sync/...", "one goroutine owns the core; a lock says that somebody shares it"},
	{"log/...", "what happened leaves as an effect; a log line cannot be replayed"},
	{"math/rand/...", "the same inputs must give the same decisions"},
	{"math/cmplx", "its functions differ between architectures"},
	{"crypto/rand", "the same inputs must give the same decisions"},
	{"maps", "its iterators give a new order every time"},
	{"path/filepath", "its answers differ between systems"},
	{"testing/...", "test code stays in test files"},
	{"plugin", "what runs is what was read"},
	{"C", "the build is pure Go"},
	{"github.com/bluenviron/gomavlib/...", "its node opens sockets, and its definitions are 100,000 lines; the field table holds what is read"},
	{"go.bug.st/serial/...", "bytes reach the core as recorded chunks only"},
	{"periph.io/...", "pins reach the core as recorded chunks only"},
	{"gonum.org/...", "its sums are not held to one rounding"},
	{"github.com/gopacket/...", "recordings are read outside the core"},
}

// allowed are the exceptions, package by package, with the reason.
var allowed = []struct{ pkg, path, reason string }{
	{"interlock/day/intake", "net/netip", "an address is a value: the sender of a datagram is told by it"},
	{"interlock/day/telemetry", "net/netip", "an address is a value: the sender of a datagram is told by it"},
}

// covers reports whether the pattern stands for the import path.
func covers(pattern, path string) bool {
	stem, deep := strings.CutSuffix(pattern, "/...")
	return path == stem || deep && strings.HasPrefix(path, stem+"/")
}

// whyNot is the reason why pkg may not import path, empty when it may.
func whyNot(pkg, path string) string {
	for _, a := range allowed {
		if a.pkg == pkg && a.path == path {
			return ""
		}
	}
	for _, f := range forbidden {
		if covers(f.path, path) {
			return f.reason
		}
	}
	return ""
}

func TestPurePackagesImportNothingImpure(t *testing.T) {
	if whyNot("rules", "os") == "" || whyNot("rules", "net/netip") == "" || whyNot("rules", "net/http") == "" ||
		whyNot("interlock/day/intake", "net") == "" || whyNot("interlock/day/intake", "net/netip") != "" || whyNot("rules", "time") != "" {
		t.Fatal("the table does not refuse what it must, or refuses what it must not")
	}
	left := slices.Clone(pure)
	for _, p := range packages(t) {
		name := strings.TrimPrefix(p.ImportPath, module+"/")
		i := slices.Index(left, name)
		if i < 0 {
			continue
		}
		left = slices.Delete(left, i, i+1)
		for _, imp := range p.Imports {
			if reason := whyNot(name, imp); reason != "" {
				t.Errorf("%s imports %s: %s", name, imp, reason)
			}
		}
	}
	if len(left) > 0 {
		t.Errorf("pure packages that are not there: %v", left)
	}
}

// mayImport states which packages of ours each package may import; "" stands for
// none. What is not named here may import whatever lies below it.
var mayImport = map[string][]string{
	"rules":                           {"rules/document"},
	"rules/card":                      {"rules", "rules/document"},
	"rules/document":                  {},
	"interlock/limits":                {"rules"},
	"interlock/day/derived":           {"rules", "interlock/limits"},
	"interlock":                       {"rules", "interlock/limits"},
	"interlock/day/telemetry":         {"rules", "interlock"},
	"interlock/day/telemetry/link":    {"rules", "interlock", "interlock/day/telemetry"},
	"interlock/day/telemetry/signing": {"interlock/day/telemetry", "interlock/records/numbered", "interlock/records/plain"},
	"interlock/records/plain":         {},
	"interlock/day/intake":            {"rules", "interlock", "interlock/day/telemetry"},
	"hw":                              {},
	"hw/virtual":                      {"hw", "hw/localsocket", "hw/localsocket/client"},
	"hw/localsocket":                  {},
	"hw/localsocket/client":           {},
	"rules/architecture":              {},
}

// arrowFault returns what is wrong with one of our packages importing another,
// empty when nothing is.
func arrowFault(from, to string) string {
	if only, ok := mayImport[from]; ok && !slices.Contains(only, to) {
		return "it may import only " + strings.Join(append([]string{"of ours:"}, only...), " ")
	}
	switch {
	case strings.HasPrefix(to, "cmd/") && !strings.HasPrefix(from, "cmd/"):
		return "programs stand on top; nothing stands on them"
	case to == "interlock/day/guard" && from == "interlock/day/panel":
		return "the page knows a guard by interlock/day/answers alone"
	case to == "rules/architecture":
		return "it is for tests only"
	case (to == "interlock/after/report" || to == "interlock/day/panel") && !strings.HasPrefix(from, "cmd/downhaul") && !strings.HasPrefix(from, to):
		return "what people see after the day is for the crew's tool alone"
	}
	return ""
}

func TestArrowsGoOneWay(t *testing.T) {
	for _, c := range []struct {
		from, to string
		wrong    bool
	}{
		{"rules", "rules/card", true}, {"rules", "interlock", true}, {"interlock", "interlock/day/derived", true}, {"interlock/day/derived", "interlock", true},
		{"interlock/limits", "interlock/day/derived", true}, {"interlock/day/derived", "interlock/limits", false}, {"interlock/limits", "interlock", true}, {"interlock", "interlock/limits", false},
		{"hw", "rules", true}, {"hw/virtual", "hw", false}, {"hw", "hw/virtual", true}, {"interlock/day/guard", "cmd/downhauld", true}, {"cmd/downhaul", "interlock/after/report", false},
		{"interlock/day/guard", "interlock/after/report", true}, {"cmd/downhauld", "interlock/day/guard", false},
	} {
		if got := arrowFault(c.from, c.to); (got != "") != c.wrong {
			t.Errorf("the rule is wrong itself: %s to %s: %q", c.from, c.to, got)
		}
	}
	for _, p := range packages(t) {
		from := strings.TrimPrefix(p.ImportPath, module+"/")
		for _, imp := range p.Imports {
			if to, ours := strings.CutPrefix(imp, module+"/"); ours {
				if fault := arrowFault(from, to); fault != "" {
					t.Errorf("%s imports %s: %s", from, to, fault)
				}
			}
		}
		if strings.HasPrefix(from, "hw") && !strings.HasPrefix(from, "hw/emulated") {
			outside := p.XTestImports
			if from == "hw" {
				outside = nil // its benchmarks run a whole guard, on lines that only its own tests can stand in for
			}
			for _, imp := range slices.Concat(p.TestImports, outside) {
				if to, ours := strings.CutPrefix(imp, module+"/"); ours && to != "hw" && to != "rules/architecture" && !strings.HasPrefix(to, "hw/") {
					t.Errorf("a test of hw imports %s: hw stands alone", to)
				}
			}
		}
	}
}

// notInDaemon are packages that the daemon may not hold, however indirectly.
var notInDaemon = []struct{ path, reason string }{
	{"net/http/...", "the daemon listens to no network; the page is a process of its own"},
	{"html/template", "the daemon draws nothing"},
	{"gonum.org/...", "no analysis and no chart code where a trip is decided"},
	{module + "/interlock/after/report/...", "no report code where a trip is decided"},
	{module + "/interlock/day/panel/...", "the page is a process of its own"},
	{module + "/interlock/model/craftmodel/...", "a simulated craft has no place beside real rotors"},
	{module + "/interlock/day/answers/told", "it answers in figures and codes; tool and page put them into words"},
	{module + "/hw/virtual", "a rehearsal must not pass for a guard on real pins; downhauld-bench has it"},
	{module + "/rules/words", "it enforces rules and reads none of them aloud"},
	{module + "/hw/localsocket/client", "it answers on its sockets and asks nobody"},
	{module + "/interlock/records/recording", "it writes recordings and reads none"},
	{module + "/interlock/before/commission", "it reads the records of proof tests and makes none"},
	{module + "/interlock/before/tilt", "it reads the records of tilt checks and makes none"},
	{"github.com/gopacket/...", "three kinds of block need no packet library"},
	{"testing", "no test code in the daemon"},
	{"github.com/bluenviron/gomavlib/...", "its node sends, and the guard is passive; the field table holds what is read"},
}

func TestDaemonHoldsNoNetworkOrReportCode(t *testing.T) {
	goFiles(t)
	out, _ := goCommand(t, root, nil, "list", "-deps", "./cmd/downhauld")
	deps := strings.Fields(out)
	if !slices.Contains(deps, module+"/interlock") {
		t.Fatalf("the daemon does not even hold the core: %d packages listed", len(deps))
	}
	all, _ := goCommand(t, root, nil, "list", "./...")
	for _, no := range notInDaemon {
		stem := strings.TrimSuffix(no.path, "/...")
		if strings.HasPrefix(stem, module+"/") && !slices.Contains(strings.Fields(all), stem) {
			t.Errorf("%s is not there: a package that moved is kept out under its new name", stem)
		}
	}
	for _, dep := range deps {
		for _, no := range notInDaemon {
			if covers(no.path, dep) {
				t.Errorf("downhauld holds %s: %s", dep, no.reason)
			}
		}
	}
}
