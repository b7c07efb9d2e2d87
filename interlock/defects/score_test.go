package defects

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"go/ast"
	"go/parser"
	"go/token"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
)

var (
	score = flag.Int("score", 0, "make this many random operator flips besides all seeded defects, and see which tests notice (minutes)")
	seed  = flag.Uint64("seed", 1, "of the random flips")
	only  = flag.String("only", "", "only the seeded defects whose words match this, and no flips")
)

// core are the folders whose operators are flipped.
var core = []string{"rules", "interlock", "interlock/derived", "interlock/intake", "interlock/telemetry"}

// flips are what stands for an operator: what a slip of the hand or the mind
// makes of it.
var flips = map[token.Token][]token.Token{
	token.LSS: {token.LEQ, token.GTR}, token.LEQ: {token.LSS, token.GEQ},
	token.GTR: {token.GEQ, token.LSS}, token.GEQ: {token.GTR, token.LEQ},
	token.EQL: {token.NEQ}, token.NEQ: {token.EQL},
	token.LAND: {token.LOR}, token.LOR: {token.LAND},
	token.ADD: {token.SUB}, token.SUB: {token.ADD}, token.MUL: {token.QUO}, token.QUO: {token.MUL},
}

// sites are all operators of the core that can be flipped.
func sites(t *testing.T) (all []change) {
	t.Helper()
	for _, folder := range core {
		files, err := filepath.Glob(filepath.Join(root, folder, "*.go"))
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range files {
			if strings.HasSuffix(name, "_test.go") {
				continue
			}
			text, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			set := token.NewFileSet()
			file, err := parser.ParseFile(set, name, text, 0)
			if err != nil {
				t.Fatal(err)
			}
			rel := filepath.ToSlash(strings.TrimPrefix(name, root+string(filepath.Separator)))
			ast.Inspect(file, func(n ast.Node) bool {
				b, ok := n.(*ast.BinaryExpr)
				if !ok {
					return true
				}
				at := set.Position(b.OpPos)
				for _, to := range flips[b.Op] {
					line := strings.Split(string(text), "\n")[at.Line-1]
					all = append(all, change{
						what: at.String()[len(root)+1:] + ": " + b.Op.String() + " becomes " + to.String() + " in " + strings.TrimSpace(line),
						file: rel, old: b.Op.String(), new: to.String(), offset: at.Offset,
					})
				}
				return true
			})
		}
	}
	return all
}

// The verdicts.
const (
	caught   = "caught"
	panicked = "panicked" // the very code stops the tests
	hung     = "hung"
	unbuilt  = "does not build"
	argued   = "argued" // survived, and stands in the list with the reason
	survived = "SURVIVED"
)

// proofs are the folders whose tests hold the core, besides the one changed.
var proofs = []string{"interlock", "interlock/intake", "interlock/bench", "interlock/bench/prove", "interlock/guard"}

var failed = regexp.MustCompile(`(?m)^\s*--- FAIL: (\S+)`)

// try runs the tests over a change, folder by folder, until one notices.
func (c *change) try(t *testing.T) (verdict, by string) {
	t.Helper()
	dir := t.TempDir()
	changed := filepath.Join(dir, filepath.Base(c.file))
	here, err := filepath.Abs(filepath.Join(root, c.file))
	if err != nil {
		t.Fatal(err)
	}
	overlay, err := json.Marshal(map[string]map[string]string{"Replace": {here: changed}})
	if err != nil {
		t.Fatal(err)
	}
	list := filepath.Join(dir, "overlay.json")
	for name, text := range map[string]string{changed: c.source(t), list: string(overlay)} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	first := filepath.Dir(c.file)
	folders := []string{first}
	for _, p := range proofs {
		if p != first {
			folders = append(folders, p)
		}
	}
	for _, folder := range folders {
		ctx, cancel := context.WithTimeout(t.Context(), 3*time.Minute)
		left := filepath.Join(root, folder, "testdata", "rapid") // where a failing property leaves its input
		_, had := os.Stat(left)
		run := exec.CommandContext(ctx, "go", "test", "-overlay", list, "-failfast", "-count=1", "-vet=off", "-timeout=150s", "-skip", "SameOnEveryArchitecture", "./"+folder)
		run.Dir = root
		out, err := run.CombinedOutput()
		late := ctx.Err() != nil
		cancel()
		if had != nil {
			_ = os.RemoveAll(left)
		}
		var exit *exec.ExitError
		switch {
		case err == nil:
			continue
		case !errors.As(err, &exit):
			t.Fatalf("go test: %v", err)
		case strings.Contains(string(out), "[build failed]"):
			return unbuilt, ""
		}
		if m := failed.FindAllStringSubmatch(string(out), -1); m != nil && !strings.Contains(string(out), "\npanic: ") {
			return caught, folder + " " + m[len(m)-1][1]
		}
		if late || strings.Contains(string(out), "panic: test timed out") {
			return hung, folder
		}
		return panicked, folder
	}
	for _, a := range listed(t, arguedList) {
		if a.file == c.file && a.source(t) == c.source(t) {
			return argued, a.what
		}
	}
	return survived, ""
}

// TestScore tells how many wrong cores the tests notice. It is no part of a
// usual run.
func TestScore(t *testing.T) {
	if *score == 0 && *only == "" {
		t.Skip("takes many minutes; on request: go test ./interlock/defects -run Score -v -timeout 0 -score 100")
	}
	count := map[string]int{}
	tell := func(c *change) string {
		verdict, by := c.try(t)
		count[verdict]++
		t.Logf("%-15s  %s  %s", verdict, c.what, by)
		return verdict
	}
	for _, c := range listed(t, seededList) {
		if *only != "" && !regexp.MustCompile(*only).MatchString(c.what) {
			continue
		}
		if v := tell(&c); v != caught {
			t.Errorf("seeded: %s: %s", c.what, v)
		}
	}
	if *only != "" {
		return
	}
	t.Logf("seeded: %v", count)
	clear(count)
	all := sites(t)
	draw := rand.New(rand.NewPCG(*seed, 0))
	draw.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	for i, made := 0, 0; made < *score && i < len(all); i++ {
		if tell(&all[i]) != unbuilt {
			made++
		}
	}
	t.Logf("random flips, of %d sites, seed %d: %v", len(all), *seed, count)
}
