package architecture

import (
	"io/fs"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// root is the repository's root as seen from this folder, where tests run.
const root = "../.."

// module is the module path.
const module = "downhaul"

// pure lists the packages whose decisions a replay must repeat bit for bit.
// Their sub-packages are not in it unless named (links do I/O).
var pure = []string{
	"rules",
	"rules/card",
	"rules/document",
	"interlock",
	"interlock/day/derived",
	"interlock/limits",
	"interlock/day/telemetry",
	"interlock/day/intake",
}

// file is one text of the tree: path from the root with slashes, and bytes.
type file struct {
	path string
	text []byte
}

// files reads every file of the tree but what git keeps for itself and what
// .gitignore leaves out. Reading them all also tells the go command that a
// test's cached result hangs on them.
func files(t *testing.T) []file {
	t.Helper()
	ignored := ignores(t)
	var out []file
	err := filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			if os.IsNotExist(err) {
				return nil // a test of another package cleaned up meanwhile
			}
			return err
		}
		rel, err := filepath.Rel(root, name)
		if err != nil {
			return err
		}
		rel = filepath.ToSlash(rel)
		if d.IsDir() {
			if rel == ".git" {
				return fs.SkipDir
			}
			return nil
		}
		if ignored(rel) || !d.Type().IsRegular() {
			return nil
		}
		text, err := os.ReadFile(name)
		if os.IsNotExist(err) {
			return nil
		}
		out = append(out, file{rel, text})
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(out) < 10 {
		t.Fatalf("only %d files found under %s: the walk looks in the wrong place", len(out), root)
	}
	return out
}

// ignores gives a test for the plain patterns of .gitignore.
func ignores(t *testing.T) func(string) bool {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(root, ".gitignore"))
	if err != nil {
		t.Fatal(err)
	}
	patterns := strings.Fields(string(text))
	return func(rel string) bool {
		for _, p := range patterns {
			whole, name := strings.TrimPrefix(p, "/"), path.Base(rel)
			if p != whole {
				name = rel
			}
			if ok, _ := path.Match(whole, name); ok {
				return true
			}
		}
		return false
	}
}

// goFiles is files, Go sources only; it fails when there is none.
func goFiles(t *testing.T) []file {
	t.Helper()
	var out []file
	for _, f := range files(t) {
		if strings.HasSuffix(f.path, ".go") {
			out = append(out, f)
		}
	}
	if len(out) == 0 {
		t.Fatal("no Go source found")
	}
	return out
}

// goCommand runs the go command in dir and gives its two outputs.
func goCommand(t *testing.T, dir string, env []string, args ...string) (stdout, stderr string) {
	t.Helper()
	_, err := exec.LookPath("go")
	Need(t, err == nil, "the go command is not on the path")
	cmd := exec.Command("go", args...)
	cmd.Dir = dir
	cmd.Env = append(append(os.Environ(), "GOWORK=off"), env...)
	var out, errs strings.Builder
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("go %s: %v\n%s", strings.Join(args, " "), err, complaints(errs.String()))
	}
	return out.String(), errs.String()
}

// complaint picks the compiler's words out of its output: a listing, where one
// was asked for, is left out.
var complaint = regexp.MustCompile(`^(#|\S*\.go:\d+:|go: |package |no )`)

func complaints(stderr string) string {
	var out []string
	for _, line := range strings.Split(stderr, "\n") {
		if complaint.MatchString(line) && len(out) < 20 {
			out = append(out, line)
		}
	}
	if len(out) == 0 {
		return stderr[:min(len(stderr), 2000)]
	}
	return strings.Join(out, "\n")
}
