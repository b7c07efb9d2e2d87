package architecture

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// targets are the builds whose compiler would fuse a product with a sum into
// one rounding, with the functions of the probe below that it is seen to fuse
// (Go 1.26). Plain amd64 fuses nothing; amd64 v3 only sums.
var targets = []struct {
	name  string
	env   []string
	probe string
}{
	{"arm64", []string{"GOARCH=arm64"}, "Add Sub NegAdd Narrow Inlined"},
	{"riscv64", []string{"GOARCH=riscv64"}, "Add Sub NegAdd Narrow Inlined"},
	{"amd64 v3", []string{"GOARCH=amd64", "GOAMD64=v3"}, "Add Narrow Inlined"},
}

// fusedName is the mnemonic of every multiply-add with a single rounding, in
// the Go assembler's spelling (Arm: A64 FMADD family; RISC-V: F and D
// extensions, FMADD family; x86: FMA3). Packed forms are in it too.
var fusedName = regexp.MustCompile(`^(VFN?M(ADD|SUB|ADDSUB|SUBADD)\w*|FN?M(ADD|SUB)[SDHQ]?|V?FML[AS]\w*)$`)

var (
	listingFunction    = regexp.MustCompile(`^(\S+) STEXT`)
	listingInstruction = regexp.MustCompile(`^\s+0x[0-9a-f]+ \d+ \(([^)]+)\)\s+([A-Z][A-Z0-9.]*)(.*)$`)
)

// fused compiles the packages below dir for one target, and gives every fused
// instruction as "place: function: instruction" and how many functions and
// instructions it read.
func fused(t *testing.T, dir string, env []string, packages ...string) (found []string, functions, instructions int) {
	t.Helper()
	// The go command replays a cached compile's listing, so this is quick the
	// second time and complete every time.
	_, listing := goCommand(t, dir, append([]string{"CGO_ENABLED=0"}, env...), append([]string{"build", "-gcflags=-S"}, packages...)...)
	function := ""
	for _, line := range strings.Split(listing, "\n") {
		if m := listingFunction.FindStringSubmatch(line); m != nil {
			function = m[1]
			functions++
		} else if m := listingInstruction.FindStringSubmatch(line); m != nil {
			instructions++
			if fusedName.MatchString(m[2]) {
				found = append(found, fmt.Sprintf("%s: in %s: %s%s", m[1], function, m[2], strings.ReplaceAll(m[3], "\t", " ")))
			}
		}
	}
	return found, functions, instructions
}

func TestPromise08_NoFusedArithmeticInTheCore(t *testing.T) {
	if testing.Short() {
		t.Skip("compiles the core for three architectures; left out with -short")
	}
	goFiles(t)
	var patterns []string
	for _, p := range pure {
		patterns = append(patterns, "./"+p)
	}
	profile, err := filepath.Abs(filepath.Join(root, "cmd/downhaul/default.pgo"))
	if err != nil {
		t.Fatal(err)
	}
	for i := range 2 * len(targets) {
		// Without a profile, as tests are built, and with the one of the shipped programs,
		// by which more is inlined.
		target, name, pgo := targets[i/2], targets[i/2].name, "-pgo=off"
		if i%2 == 1 {
			name, pgo = name+" with the profile", "-pgo="+profile
		}
		t.Run(name, func(t *testing.T) {
			found, functions, instructions := fused(t, root, target.env, append([]string{pgo}, patterns...)...)
			if functions < 10*len(pure) || instructions < 100*functions/10 {
				t.Fatalf("the listing holds only %d functions and %d instructions: it was not read", functions, instructions)
			}
			for _, f := range found {
				t.Errorf("%s\n\twrite the product as float64(x*y) so that it is rounded before it meets + or -", f)
			}
			t.Logf("%d functions, %d instructions read", functions, instructions)
		})
	}
}

// TestFusedGateFindsAFusedProduct shows on a small module that the gate can
// fail, and that an explicit rounding is what mends it.
func TestFusedGateFindsAFusedProduct(t *testing.T) {
	if testing.Short() {
		t.Skip("compiles for three architectures; left out with -short")
	}
	dir := t.TempDir()
	for name, text := range map[string]string{
		"go.mod": "module probe\n\ngo 1.26\n",
		"fused/fused.go": "package fused\n\nfunc Add(a, b, c float64) float64 { return a*b + c }\n\n" +
			"func Sub(a, b, c float64) float64 { return a*b - c }\n\n" +
			"func NegAdd(a, b, c float64) float64 { return c - a*b }\n\n" +
			"func Narrow(a, b, c float32) float32 { return a*b + c }\n\n" +
			"func product(a, b float64) float64 { return a * b }\n\n" +
			"func Inlined(a, b, c float64) float64 { return product(a, b) + c }\n",
		"rounded/rounded.go": "package rounded\n\nfunc Add(a, b, c float64) float64 { return float64(a*b) + c }\n\n" +
			"func product(a, b float64) float64 { return float64(a * b) }\n\n" +
			"func Inlined(a, b, c float64) float64 { return product(a, b) + c }\n",
	} {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for _, target := range targets {
		found, _, _ := fused(t, dir, target.env, "./fused")
		for _, want := range strings.Fields(target.probe) {
			if !strings.Contains(strings.Join(found, "\n"), "fused."+want+":") {
				t.Errorf("%s: no fused instruction found in %s; found %q", target.name, want, found)
			}
		}
		if found, functions, _ := fused(t, dir, target.env, "./rounded"); len(found) > 0 || functions == 0 {
			t.Errorf("%s: %d functions read, found %q in code that rounds", target.name, functions, found)
		}
	}
}
