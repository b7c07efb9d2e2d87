package main

import (
	"os"
	"path/filepath"
	"testing"
)

func TestCanKeepLeavesNothing(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "folder")
	if err := canKeep(dir); err != nil {
		t.Fatal(err)
	}
	if entries, err := os.ReadDir(dir); err != nil || len(entries) != 0 {
		t.Errorf("left behind %v, %v", entries, err)
	}
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if canKeep(file) == nil {
		t.Error("a file passes for a folder")
	}
}
