package defects

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
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
	score = flag.Int("score", 0, "make this many random mutants, and see which tests notice (minutes to hours)")
	seed  = flag.Uint64("seed", 1, "of the random mutants")
	part  = flag.String("in", "", "only mutants of files whose path matches this")
	kind  = flag.String("kind", "", "only mutants of kinds that match this, such as boundary")
	own   = flag.Bool("own", false, "only run the tests of the mutant's own folder: a quick look for what they leave out")
	again = flag.String("again", "", "the survivors that stand in this file, the output of an earlier run (-score, -seed and -in count for nothing then)")
	latch = flag.Bool("latch", false, "only the second latch, over each defect of its own list (minutes)")
	only  = flag.String("only", "", "the seeded defects whose words match this; . is all of them")
)

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
var proofs = []string{"interlock/day/derived", "interlock/day/intake", "interlock", "interlock/before/bench", "interlock/before/prove", "interlock/day/guard", "interlock/before/commission"}

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
	for _, folder := range folders(first) {
		// As in together_test.go: a machine that others use too may be slow, and what
		// counts is the processor time; the clock is for what only waits.
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
		left := filepath.Join(root, folder, "testdata", "rapid") // where a failing property leaves its input
		_, had := os.Stat(left)
		args := []string{"test", "-overlay", list, "-failfast", "-count=1", "-vet=off", "-timeout=50m", "-skip", "SameOnEveryArchitecture", "./" + folder}
		if folder != first {
			args = append(args, "-short")
		}
		if *latch {
			args = append(args, "-run", "TestSecondLatch$", "-second", "8000")
		}
		run := exec.CommandContext(ctx, "sh", append([]string{"-c", `ulimit -t 400; exec go "$@"`, "go"}, args...)...)
		run.Dir = root
		out, err := run.CombinedOutput()
		late := ctx.Err() != nil || strings.Contains(string(out), "signal: killed")
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
		return judge(folder, string(out), late)
	}
	return c.unnoticed(t)
}

// folders are those whose tests are run over a mutant, its own first.
func folders(first string) []string {
	list := []string{first}
	for _, p := range proofs {
		if p != first && !*own && !*latch {
			list = append(list, p)
		}
	}
	return list
}

// judge returns how tests that did not pass have noticed.
func judge(folder, out string, late bool) (verdict, by string) {
	stopped := strings.Contains(out, "\npanic: ") || strings.Contains(out, "fatal error: ")
	if m := failed.FindAllStringSubmatch(out, -1); m != nil && !stopped {
		return caught, folder + " " + m[len(m)-1][1]
	}
	if late || strings.Contains(out, "panic: test timed out") {
		return hung, folder
	}
	return panicked, folder
}

func (c *change) unnoticed(t *testing.T) (verdict, why string) {
	t.Helper()
	for _, a := range read(t, arguedList) {
		if a.file == c.file && a.find() == nil && a.source(t) == c.source(t) {
			return argued, a.what
		}
	}
	return survived, ""
}

// TestSecondLatchNotices reports which defects of the latch the second latch notices
// by itself, without the rest of the tests.
func TestSecondLatchNotices(t *testing.T) {
	all := listed(t, secondList)
	if !*latch {
		t.Skip("takes minutes; on request: go test ./interlock/defects -run SecondLatch -v -timeout 0 -latch")
	}
	n := 0
	var missed []string
	for _, c := range all {
		verdict, by := c.try(t)
		t.Logf("%-9s  %s  %s", verdict, c.what, by)
		if verdict == caught {
			n++
		} else {
			missed = append(missed, c.what+": "+verdict)
		}
	}
	t.Logf("%d of %d noticed", n, len(all))
	for _, m := range missed {
		t.Error(m)
	}
}

var place = regexp.MustCompile(`:\d+:\d+: `)

// survivors returns those of the mutants that an earlier run told of as
// survived. Line and column may have changed since: of several alike in one
// file it returns all.
func survivors(t *testing.T, all []change, output string) (list []change) {
	t.Helper()
	text, err := os.ReadFile(output)
	if err != nil {
		t.Fatal(err)
	}
	told := map[string]bool{}
	for _, line := range strings.Split(string(text), "\n") {
		if _, what, ok := strings.Cut(line, survived+" "); ok {
			told[place.ReplaceAllString(strings.TrimSpace(what), ": ")] = true
		}
	}
	found := map[string]bool{}
	for _, c := range all {
		if what := place.ReplaceAllString(c.what, ": "); told[what] {
			found[what] = true
			list = append(list, c)
		}
	}
	for what := range told {
		if !found[what] {
			t.Logf("no longer a mutant of the source: %s", what)
		}
	}
	return list
}

// TestScore reports how many wrong cores the tests notice. It is no part of a
// usual run.
func TestScore(t *testing.T) {
	if *score == 0 && *only == "" && *again == "" {
		t.Skip("takes minutes to hours; on request: go test ./interlock/defects -run Score -v -timeout 0 -score 100")
	}
	count := map[string]int{}
	tell := func(c *change, verdict, by string) string {
		count[verdict]++
		if c.kind != "" {
			count[c.kind+", "+verdict]++
		}
		t.Logf("%-15s  %s  %s", verdict, c.what, by)
		return verdict
	}
	if *only != "" {
		for _, c := range listed(t, seededList) {
			if !regexp.MustCompile(*only).MatchString(c.what) {
				continue
			}
			verdict, by := c.try(t)
			if v := tell(&c, verdict, by); v != caught {
				t.Errorf("seeded: %s: %s", c.what, v)
			}
		}
		t.Logf("seeded: %v", count)
		clear(count)
	}
	all := mutants(t)
	if *again != "" {
		all = survivors(t, all, *again)
		*score, *part, *kind = len(all), "", ""
	}
	draw := rand.New(rand.NewPCG(*seed, 0))
	draw.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	wanted, ofKind := regexp.MustCompile(*part), regexp.MustCompile(*kind)
	made := 0
	together := map[string][]*change{} // by folder
	var single []*change               // cannot be copied
	for i := 0; i < len(all) && made < *score; i++ {
		c := &all[i]
		switch folder := filepath.Dir(c.file); {
		case !wanted.MatchString(c.file) || !ofKind.MatchString(c.kind) || !builtHere(t, c.file):
			continue
		case c.inFunction(t):
			together[folder] = append(together[folder], c)
		default:
			single = append(single, c)
		}
		made++
	}
	for _, folder := range core {
		if together[folder] != nil {
			set := newCopies(t, folder, together[folder])
			for i, c := range together[folder] {
				verdict, by := set.try(t, i+1)
				tell(c, verdict, by)
			}
		}
	}
	for _, c := range single {
		verdict, by := c.try(t)
		tell(c, verdict, by)
	}
	made -= count[unbuilt]
	if *again != "" {
		t.Logf("%d survivors of an earlier run:", made)
	} else {
		t.Logf("%d random mutants, of %d sites, seed %d:", made, len(all), *seed)
	}
	for _, k := range append([]string{""}, kinds...) {
		if k != "" {
			k += ", "
		}
		t.Logf("%s%d caught, %d panicked, %d hung, %d argued, %d survived", k, count[k+caught], count[k+panicked], count[k+hung], count[k+argued], count[k+survived])
	}
}
