package architecture

import (
	"os"
	"path/filepath"
	"testing"
)

// AxeRun begins a look through the page by the rules of axe-core, which Axe returns; once
// AxeOver holds, AxeFound is what violates them, a line each. Levels A and AA of WCAG 2.2,
// and what axe-core calls best practice.
const (
	AxeRun = `window.axeFound = null, axe.run(document, { resultTypes: ["violations"] }).then(
	r => { window.axeFound = r.violations.flatMap(v => v.nodes.map(n => v.id + ": " + n.target.join(" ") + ": " + v.help)); },
	e => { window.axeFound = ["axe-core failed: " + e]; }), true`
	AxeOver  = `window.axeFound !== null`
	AxeFound = `window.axeFound`
)

// Axe returns the script of axe-core as rules/architecture/testdata/axe/fetch installs it;
// without it the test is skipped.
func Axe(t testing.TB) string {
	t.Helper()
	folder := os.Getenv("DOWNHAUL_AXE")
	if folder == "" {
		cache, err := os.UserCacheDir()
		Want(t, err == nil, "no cache folder, so axe-core cannot be there")
		folder = filepath.Join(cache, "downhaul-axe")
	}
	text, err := os.ReadFile(filepath.Join(folder, "node_modules", "axe-core", "axe.min.js"))
	Want(t, err == nil, "axe-core is not installed (rules/architecture/testdata/axe/fetch): nothing looks for what bars people with a disability")
	return string(text)
}
