//go:build linux

package deploy

import (
	"archive/zip"
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/CycloneDX/cyclonedx-go"

	"downhaul/rules/architecture"
)

// output runs a command and gives what it prints; a failure ends the test.
func output(t testing.TB, dir string, env []string, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Dir, cmd.Env = dir, append(os.Environ(), env...)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("%s %s: %v\n%s%s", name, strings.Join(args, " "), err, out.String(), errs.String())
	}
	return out.String()
}

func needTools(t *testing.T, names ...string) {
	t.Helper()
	for _, name := range names {
		_, err := exec.LookPath(name)
		architecture.Need(t, err == nil, name+" is not installed")
	}
}

var packager = regexp.MustCompile(`(?m)^readonly nfpm=(\S+)/cmd/nfpm@(v\S+)$`)

// offline is the environment of a build in a test: the packager comes from the
// module cache and nothing over the network. Where it was never fetched, the
// test is skipped.
func offline(t *testing.T) []string {
	t.Helper()
	script, err := os.ReadFile("build")
	must(t, err)
	m := packager.FindSubmatch(script)
	if m == nil {
		t.Fatal("deploy/build does not say which packager it takes")
	}
	cache := filepath.Join(strings.TrimSpace(output(t, ".", nil, "go", "env", "GOMODCACHE")), "cache", "download")
	_, err = os.Stat(filepath.Join(cache, string(m[1]), "@v", string(m[2])+".zip"))
	architecture.Need(t, err == nil, "the packager is not in the module cache; run deploy/build once, with the network")
	// What git says of this checkout may change while other tests run.
	return []string{"GOPROXY=file://" + cache, "DOWNHAUL_COMMIT=0123456789ab", "SOURCE_DATE_EPOCH=1900000000"}
}

// packages are what is built once for all tests.
var packages struct {
	once        sync.Once
	dir         string
	first, next string
	archive     string // of the tool alone
	failed      error
	said        string
}

// built gives a package of the version that deploy/VERSION names, and the same
// under a later version.
func built(t *testing.T) (first, next string) {
	t.Helper()
	needTools(t, "bash", "go", "dpkg-deb", "gzip")
	env := offline(t)
	p := &packages
	p.once.Do(func() {
		if p.dir, p.failed = os.MkdirTemp("", "downhaul-packages"); p.failed != nil {
			return
		}
		cmd := exec.Command("bash", "./build", "--out", p.dir, "amd64", "linux-amd64")
		cmd.Env = append(os.Environ(), env...)
		out, err := cmd.CombinedOutput()
		p.said, p.failed = string(out), err
		p.first, p.archive, _ = strings.Cut(strings.TrimSpace(string(out)), "\n")
		if p.failed == nil {
			p.next, p.failed = later(p.first, p.dir)
		}
	})
	if p.failed != nil {
		t.Fatalf("deploy/build: %v\n%s", p.failed, p.said)
	}
	return p.first, p.next
}

// later packs the contents of a package again under a later version.
func later(deb, dir string) (string, error) {
	tree := filepath.Join(dir, "later")
	if out, err := exec.Command("dpkg-deb", "--raw-extract", deb, tree).CombinedOutput(); err != nil {
		return "", fmt.Errorf("%w: %s", err, out)
	}
	control := filepath.Join(tree, "DEBIAN/control")
	text, err := os.ReadFile(control)
	if err != nil {
		return "", err
	}
	text = regexp.MustCompile(`(?m)^Version: .*$`).ReplaceAll(text, []byte("Version: 0.99.0"))
	path := filepath.Join(dir, "later.deb")
	if err := os.WriteFile(control, text, 0o644); err != nil {
		return "", err
	}
	if out, err := exec.Command("dpkg-deb", "-Zgzip", "-z1", "--build", tree, path).CombinedOutput(); err != nil {
		return "", fmt.Errorf("%w: %s", err, out)
	}
	return path, nil
}

func TestMain(m *testing.M) {
	code := m.Run()
	if packages.dir != "" {
		_ = os.RemoveAll(packages.dir)
	}
	os.Exit(code)
}

// unpacked gives the folder into which a package was unpacked.
func unpacked(t *testing.T, deb string) string {
	t.Helper()
	dir := t.TempDir()
	output(t, ".", nil, "dpkg-deb", "--extract", deb, dir)
	return dir
}

// The package holds what it is for, and says nothing that is not so.
func TestPackageHoldsWhatItIsFor(t *testing.T) {
	deb, _ := built(t)
	version, err := os.ReadFile("VERSION")
	must(t, err)
	want := "downhaul " + strings.TrimSpace(string(version)) + " amd64"
	if got := strings.TrimSpace(output(t, ".", nil, "dpkg-deb", "--show", "--showformat=${Package} ${Version} ${Architecture}", deb)); got != want {
		t.Errorf("the package is %q, want %q", got, want)
	}
	dir := unpacked(t, deb)
	for _, name := range []string{
		"usr/sbin/downhauld", "usr/bin/downhaul", "usr/bin/downhauld-bench", "etc/default/downhaul", "etc/downhaul",
		"usr/lib/systemd/system/downhauld.service", "usr/lib/systemd/system/downhaul-panel.service",
		"usr/lib/sysusers.d/downhaul.conf", "usr/lib/tmpfiles.d/downhaul.conf", "usr/lib/udev/rules.d/60-downhaul.rules",
		"usr/share/man/man1/downhaul.1.gz", "usr/share/man/man1/downhauld-bench.1.gz", "usr/share/man/man8/downhauld.8.gz",
		"usr/share/man/man5/downhaul-pad.5.gz", "usr/share/man/man5/downhaul-envelope.5.gz", "usr/share/man/man5/downhaul-card.5.gz", "usr/share/man/man5/downhaul-limits.5.gz",
		"usr/share/doc/downhaul/copyright", "usr/share/doc/downhaul/README.md", "usr/share/doc/downhaul/handbook.html", "usr/share/man/man7/downhaul-handbook.7.gz", "usr/share/doc/downhaul/WIRING.md", "usr/share/doc/downhaul/wiring/chain.svg",
		"usr/share/doc/downhaul/examples/pad.toml", "usr/share/doc/downhaul/examples/stand-card.example.toml",
		"usr/share/doc/downhaul/changelog.gz", "usr/share/man/man5/downhaul-json.5.gz",
		"usr/share/downhaul/schema/pad.schema.json", "usr/share/downhaul/schema/report.schema.json",
	} {
		if _, err := os.Stat(filepath.Join(dir, name)); err != nil {
			t.Errorf("the package lacks %s", name)
		}
	}
	// The crew's own files are never in a package.
	if left, _ := os.ReadDir(filepath.Join(dir, "etc/downhaul")); len(left) > 0 {
		t.Errorf("the package puts %s into /etc/downhaul", left[0].Name())
	}
	if got := strings.Fields(output(t, ".", nil, "dpkg-deb", "--info", deb, "conffiles")); !slices.Equal(got, []string{"/etc/default/downhaul"}) {
		t.Errorf("configuration files %v", got)
	}
	for line := range strings.Lines(output(t, ".", nil, "dpkg-deb", "--contents", deb)) {
		if f := strings.Fields(line); f[1] != "root/root" || f[0][8] == 'w' {
			t.Errorf("owner or mode of %s", line)
		}
	}
	// Static: such a program has no interpreter to be looked up.
	for _, name := range []string{"usr/sbin/downhauld", "usr/bin/downhaul", "usr/bin/downhauld-bench"} {
		text, err := os.ReadFile(filepath.Join(dir, name))
		must(t, err)
		if bytes.Contains(text, []byte("/lib64/ld-linux")) {
			t.Errorf("%s wants a dynamic linker", name)
		}
		want := filepath.Base(name) + " " + strings.TrimSpace(string(version)) + " 0123456789ab\ngo1."
		if said := output(t, ".", nil, filepath.Join(dir, name), "--version"); !strings.HasPrefix(said, want) {
			t.Errorf("%s --version: %q, want it to begin with %q", name, said, want)
		}
	}
	text, err := os.Open(filepath.Join(dir, "usr/share/man/man1/downhaul.1.gz"))
	must(t, err)
	defer text.Close()
	z, err := gzip.NewReader(text)
	must(t, err)
	manual, err := io.ReadAll(z)
	must(t, err)
	if !bytes.Contains(manual, []byte("\n.Sh COMMISSION\n")) {
		t.Error("downhaul(1) in the package is not the tool's manual")
	}
}

// The same source gives the same bytes, in another folder and later.
func TestPackageIsReproducible(t *testing.T) {
	deb, _ := built(t)
	env := offline(t)
	again := strings.Fields(output(t, ".", append(env, "TZ=Pacific/Auckland"), "bash", "./build", "--out", t.TempDir(), "amd64", "linux-amd64"))
	for i, name := range []string{deb, packages.archive} {
		a, err := os.ReadFile(name)
		must(t, err)
		b, err := os.ReadFile(again[i])
		must(t, err)
		if !bytes.Equal(a, b) {
			t.Errorf("%s: two builds of one source differ (%d and %d bytes)", filepath.Base(name), len(a), len(b))
		}
	}
}

// The archive for a laptop holds the tool, ready to run, and what a crew reads.
func TestArchiveHoldsTheTool(t *testing.T) {
	built(t)
	z, err := zip.OpenReader(packages.archive)
	must(t, err)
	defer z.Close()
	top := strings.TrimSuffix(filepath.Base(packages.archive), ".zip") + "/"
	has := map[string]bool{}
	for _, f := range z.File {
		name, ok := strings.CutPrefix(f.Name, top)
		if !ok {
			t.Errorf("%s lies outside of %s", f.Name, top)
		}
		has[name] = true
		if run := f.Mode()&0o111 != 0; run != (name == "downhaul") {
			t.Errorf("%s has mode %v", name, f.Mode())
		}
	}
	for _, name := range []string{"downhaul", "doc/README.md", "doc/copyright", "doc/sbom.cdx.json", "doc/card.example.toml", "man/man1/downhaul.1.gz", "completion/downhaul.fish"} {
		if !has[name] {
			t.Errorf("the archive lacks %s", name)
		}
	}
}

// The bill of materials is CycloneDX, read here by that standard's own library, and
// names what the go command says is linked, with its version.
func TestBillOfMaterials(t *testing.T) {
	deb, _ := built(t)
	f, err := os.Open(filepath.Join(unpacked(t, deb), "usr/share/doc/downhaul/sbom.cdx.json"))
	must(t, err)
	defer f.Close()
	var bill cyclonedx.BOM
	must(t, cyclonedx.NewBOMDecoder(f, cyclonedx.BOMFileFormatJSON).Decode(&bill))
	var has []string
	for _, c := range *bill.Components {
		has = append(has, c.PackageURL)
	}
	list := output(t, "..", []string{"GOOS=linux", "GOARCH=amd64", "CGO_ENABLED=0"},
		"go", "list", "-deps", "-f", "{{with .Module}}{{if not .Main}}pkg:golang/{{.Path}}@{{.Version}}{{end}}{{end}}", "./cmd/...")
	want := append(strings.Fields(list), "pkg:golang/std@"+strings.TrimPrefix(runtime.Version(), "go"))
	slices.Sort(want)
	if want = slices.Compact(want); !slices.Equal(has, want) {
		t.Errorf("the bill has\n%v\nand linked are\n%v", has, want)
	}
	if got := bill.Metadata.Timestamp; got != "2030-03-17T17:46:40Z" {
		t.Errorf("the bill is of %s, not of the commit's time", got)
	}
}

// The changelog's first entry is of the version that is built, and Debian's own reader
// takes it.
func TestChangelogIsOfThisVersion(t *testing.T) {
	needTools(t, "dpkg-parsechangelog")
	version, err := os.ReadFile("VERSION")
	must(t, err)
	if got := output(t, ".", nil, "dpkg-parsechangelog", "-l", "package/changelog", "-S", "Version"); strings.TrimSpace(got) != strings.TrimSpace(string(version)) {
		t.Errorf("the changelog is of %s", got)
	}
}

// In each shell the words that may come next are the tool's own.
func TestCompletion(t *testing.T) {
	deb, _ := built(t)
	dir := unpacked(t, deb)
	for _, shell := range []struct{ name, ask string }{
		{"bash", "source usr/share/bash-completion/completions/downhaul && complete -p downhaul >&2 && COMP_LINE='downhaul re' COMP_POINT=11 downhaul"},
		{"zsh", "fpath=($PWD/usr/share/zsh/vendor-completions $fpath); autoload -U compinit && compinit -u -D && [[ -n $_comps[downhaul] ]] && COMP_LINE='downhaul re' downhaul"},
		{"fish", "source usr/share/fish/vendor_completions.d/downhaul.fish; complete -C 'downhaul re'"},
	} {
		t.Run(shell.name, func(t *testing.T) {
			_, err := exec.LookPath(shell.name)
			architecture.Want(t, err == nil, shell.name+" is not installed")
			out := output(t, dir, []string{"PATH=" + filepath.Join(dir, "usr/bin") + ":" + os.Getenv("PATH")}, shell.name, "-c", shell.ask)
			if got := strings.Fields(out); !slices.Contains(got, "report") || !slices.Contains(got, "rehearse") || slices.Contains(got, "check") {
				t.Errorf("behind \"downhaul re\" may come %q", got)
			}
		})
	}
}

// Debian's own checker finds no error but those that the overrides give a reason for.
func TestLintian(t *testing.T) {
	_, err := exec.LookPath("lintian")
	architecture.Want(t, err == nil, "lintian is not installed")
	deb, _ := built(t)
	out, err := exec.Command("lintian", "--allow-root", "--fail-on", "error,warning", deb).CombinedOutput()
	if err != nil {
		t.Errorf("lintian: %v\n%s", err, out)
	}
}

var licenceName = regexp.MustCompile(`(?i)^(LICEN[CS]E|COPYING|NOTICE|COPYRIGHT)([.-].*)?$`)

// The text of every licence of every module that is linked in, and Go's own,
// stands in the package, whole.
func TestPackageCarriesEveryLicence(t *testing.T) {
	deb, _ := built(t)
	have, err := os.ReadFile(filepath.Join(unpacked(t, deb), "usr/share/doc/downhaul/copyright"))
	must(t, err)
	list := output(t, "..", []string{"GOOS=linux", "GOARCH=amd64", "CGO_ENABLED=0"},
		"go", "list", "-deps", "-f", "{{with .Module}}{{if not .Main}}{{.Path}}\t{{.Dir}}{{end}}{{end}}", "./cmd/...")
	list += "Go\t" + strings.TrimSpace(output(t, ".", nil, "go", "env", "GOROOT"))
	modules := map[string]bool{}
	for line := range strings.Lines(list) {
		path, dir, ok := strings.Cut(strings.TrimSpace(line), "\t")
		if !ok || modules[path] {
			continue
		}
		modules[path] = true
		if !bytes.Contains(have, []byte("\n"+path)) {
			t.Errorf("%s is linked in and not named", path)
		}
		// A licence may only point at others: some modules keep them in a folder.
		names, err := filepath.Glob(filepath.Join(dir, "*"))
		must(t, err)
		kept, err := filepath.Glob(filepath.Join(dir, "*[Ll][Ii][Cc][Ee][Nn]?[Ee][Ss]", "*"))
		must(t, err)
		found := false
		for _, name := range append(names, kept...) {
			if info, err := os.Stat(name); err != nil || info.IsDir() || strings.HasSuffix(name, ".go") || (filepath.Dir(name) == dir && !licenceName.MatchString(filepath.Base(name))) {
				continue
			}
			found = true
			text, err := os.ReadFile(name)
			must(t, err)
			if !bytes.Contains(have, text) {
				t.Errorf("%s of %s does not stand in the package", filepath.Base(name), path)
			}
		}
		if !found {
			t.Errorf("%s has no licence in %s: it may not be handed on", path, dir)
		}
	}
	if len(modules) < 5 {
		t.Fatalf("only %d modules found", len(modules))
	}
}
