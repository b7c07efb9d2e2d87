package architecture

import (
	"go/ast"
	"go/parser"
	"go/token"
	"strings"
	"testing"
)

// opens are the calls by which a program comes to wait for a pipe's other end,
// arms a device, or reads until memory runs out: interlock/records/plain does it without.
var opens = map[string]bool{
	"os.Open": true, "os.OpenFile": true, "os.ReadFile": true, "os.ReadDir": true, "os.Create": true, "os.WriteFile": true,
	"os.DirFS": true, "os.OpenRoot": true, "ioutil.ReadFile": true, "ioutil.ReadDir": true,
	"filepath.Walk": true, "filepath.WalkDir": true, "filepath.Glob": true,
	"unix.Open": true, "unix.Openat": true, "unix.Creat": true, "syscall.Open": true, "syscall.Creat": true,
}

// mayOpen are the calls that stand outside interlock/records/plain, with the reason.
var mayOpen = []struct{ file, call, reason string }{
	{"cmd/downhaul/demo.go", "os.WriteFile", "into a folder that the demo made just before"},
	{"interlock/records/session/host_unix.go", "os.OpenFile", "the lock of a log folder is made and held, not read"},
	{"interlock/records/session/retain.go", "filepath.WalkDir", "adds up sizes; it opens folders alone"},
	{"interlock/day/watchdog/device_linux.go", "unix.Open", "a hardware watchdog is a device, and opening it is meant to arm it"},
	{"hw/loadcell.go", "os.Open", "hw imports nothing of ours; it asks for a regular file itself"},
	{"hw/loadcell.go", "os.ReadFile", "the name beside a converter's channel, in the kernel's own folder"},
	{"hw/loadcell_linux.go", "unix.Open", "an I²C bus is a device"},
	{"hw/localsocket/lock_unix.go", "os.OpenFile", "the lock of a socket is made and held, not read"},
	{"hw/gpiokernel_linux.go", "unix.Open", "a GPIO chip is a device"},
	{"interlock/day/telemetry/link/serial_linux.go", "unix.Open", "a serial line is a device"},
}

// openings are the calls of opens in a source. A new file that must not be there
// yet (O_EXCL) follows no link and waits for nobody.
func openings(t *testing.T, name string, text []byte) (found []string) {
	t.Helper()
	parsed, err := parser.ParseFile(token.NewFileSet(), name, text, 0)
	if err != nil {
		t.Fatal(err)
	}
	called := map[*ast.SelectorExpr]bool{}
	isOpening := func(sel *ast.SelectorExpr) string {
		pkg, ok := sel.X.(*ast.Ident)
		if ok && opens[pkg.Name+"."+sel.Sel.Name] {
			return pkg.Name + "." + sel.Sel.Name
		}
		return ""
	}
	ast.Inspect(parsed, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.CallExpr:
			sel, ok := n.Fun.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			called[sel] = true
			call := isOpening(sel)
			exclusive := false
			if call == "os.OpenFile" && len(n.Args) == 3 {
				ast.Inspect(n.Args[1], func(a ast.Node) bool {
					if s, ok := a.(*ast.SelectorExpr); ok && s.Sel.Name == "O_EXCL" {
						exclusive = true
					}
					return true
				})
			}
			if call != "" && !exclusive {
				found = append(found, call)
			}
		case *ast.SelectorExpr:
			if call := isOpening(n); call != "" && !called[n] {
				found = append(found, call) // handed on as a value
			}
		}
		return true
	})
	return found
}

// Nothing of the daemon and of the crew's tool opens a file past the one helper
// that refuses pipes, devices and what is too large.
func TestFilesAreOpenedInOnePlace(t *testing.T) {
	for text, want := range map[string]int{
		`a, _ := os.ReadFile(n)`:                                         1,
		`f, _ := os.OpenFile(n, os.O_WRONLY|os.O_CREATE, 0o644)`:         1,
		`f, _ := os.OpenFile(n, os.O_CREATE|os.O_EXCL, 0o644)`:           0,
		`read := os.Open; f, _ := read(n)`:                               1,
		`f, _ := plain.Open(n, plain.Setup); os.Remove(n)`:               0,
		`fd, _ := unix.Open(n, 0, 0); filepath.WalkDir(n, nil)`:          2,
		`for range 3 { defer func() { _ = os.WriteFile(n, nil, 0) }() }`: 1,
	} {
		if got := openings(t, "probe.go", []byte("package probe\n\nfunc f(n string) { "+text+" }\n")); len(got) != want {
			t.Errorf("the rule is wrong itself: in %q it finds %v, want %d", text, got, want)
		}
	}
	used := map[int]bool{}
	for _, f := range goFiles(t) {
		dir, _, _ := strings.Cut(f.path, "/")
		switch {
		case strings.HasSuffix(f.path, "_test.go"), strings.Contains(f.path, "testdata/"):
			continue
		case dir != "cmd" && dir != "interlock" && dir != "rules" && dir != "hw":
			continue
		case strings.HasPrefix(f.path, "interlock/records/plain/"), strings.HasPrefix(f.path, "rules/architecture/"):
			continue
		case strings.HasPrefix(f.path, "hw/emulated/"): // builds an emulated board; ships with nothing
			continue
		}
		for _, call := range openings(t, f.path, f.text) {
			ok := false
			for i, m := range mayOpen {
				if m.file == f.path && m.call == call {
					ok, used[i] = true, true
				}
			}
			if !ok {
				t.Errorf("%s calls %s: read through interlock/records/plain, which takes only regular files up to a stated size", f.path, call)
			}
		}
	}
	for i, m := range mayOpen {
		if !used[i] {
			t.Errorf("%s no longer calls %s: take the line out", m.file, m.call)
		}
	}
}
