package architecture

import (
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// mapOf reads the map of folders in DEVELOPERS.md: lines that are indented by four
// spaces and two more for each floor, the folder's name first and with a slash.
func mapOf(text string) (folders []string) {
	var way []string
	for line := range strings.Lines(text) {
		inner := strings.TrimPrefix(line, "    ")
		name, _, _ := strings.Cut(strings.TrimSpace(inner), " ")
		depth := (len(inner) - len(strings.TrimLeft(inner, " "))) / 2
		if inner == line || !strings.HasSuffix(name, "/") || depth > len(way) {
			continue
		}
		way = append(way[:depth], strings.TrimSuffix(name, "/"))
		folders = append(folders, strings.Join(way, "/"))
	}
	return folders
}

// The map that contributors are given is the tree: a folder that was moved or added
// stands on it, one that is gone does not. A small folder beside one that is listed may
// be told in its line.
func TestTheMapIsTheTree(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(root, "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, after, _ := strings.Cut(string(text), "## The house\n")
	house, _, _ := strings.Cut(after, "\nImports go one way")
	listed := mapOf(house)
	if len(listed) < 20 {
		t.Fatalf("only %d folders are on the map", len(listed))
	}
	for _, folder := range listed {
		if info, err := os.Stat(filepath.Join(root, folder)); err != nil || !info.IsDir() {
			t.Errorf("DEVELOPERS.md: %s/ stands on the map and is no folder", folder)
		}
	}
	for _, p := range packages(t) {
		name := strings.TrimPrefix(p.ImportPath, module+"/")
		beside := slices.Contains(listed, path.Dir(name)) && strings.Contains(house, path.Base(name)+"/ ")
		if !slices.Contains(listed, name) && !beside {
			t.Errorf("DEVELOPERS.md: %s/ does not stand on the map under \"The house\"; add its line", name)
		}
	}
}
