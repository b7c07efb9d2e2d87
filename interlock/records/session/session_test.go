//go:build linux

package session

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/intake"
	"downhaul/interlock/records/recording"
	"downhaul/interlock/records/triplog"

	"golang.org/x/sys/unix"
)

var meta = Meta{Software: "0.1", Wall: time.Date(2026, 5, 30, 18, 4, 11, 123456789, time.UTC), Clock: "set by hand", Room: 1}

var threeFiles = []File{
	{Name: Envelope, From: "/etc/downhaul/envelope.toml", Text: []byte("version = 1\n")},
	{Name: Pad, From: "/etc/downhaul/pad.toml", Text: []byte("# pad\n")},
	{Name: Card, From: "card.toml", Text: nil},
}

func create(t testing.TB, dir string) *Session {
	t.Helper()
	s, err := Create(dir, meta, threeFiles)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestSession_WhatStandsInTheFolder(t *testing.T) {
	logs := t.TempDir()
	s := create(t, logs)
	if err := s.Trips.Append(triplog.Line{At: 1, Kind: triplog.KindNote, Text: "hello"}, true); err != nil {
		t.Fatal(err)
	}
	if err := s.Recording.Put(intake.Chunk{At: 1, Seq: 1, Source: intake.Pins, Bytes: []byte{3}}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if name := filepath.Base(s.Dir); name != "2026-05-30T18-04-11Z-s0001" || name != s.Info.Session {
		t.Errorf("folder %s", name)
	}
	for _, name := range []string{"session.json", "envelope.toml", "pad.toml", "card.toml", "trips.jsonl", "recording.pcapng"} {
		if _, err := os.Stat(filepath.Join(s.Dir, name)); err != nil {
			t.Error(err)
		}
	}
	text, err := os.ReadFile(filepath.Join(s.Dir, "session.json"))
	if err != nil {
		t.Fatal(err)
	}
	var keys map[string]any
	if err := json.Unmarshal(text, &keys); err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"v", "session", "number", "software", "arch", "wall_start", "clocks", "files"} {
		if keys[key] == nil {
			t.Errorf("session.json has no %q", key)
		}
	}
	again, err := Open(s.Dir)
	if err != nil {
		t.Fatal(err)
	}
	// SHA-256 of nothing: FIPS 180-4, example values of NIST's CSRC.
	if f := again.Info.Files[2]; f.SHA256 != "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855" || f.From != "card.toml" {
		t.Errorf("card %+v", f)
	}
	if got, err := again.Text(Envelope); err != nil || string(got) != "version = 1\n" {
		t.Errorf("envelope %q %v", got, err)
	}
	if _, err := again.Text("other.toml"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("%v", err)
	}
	if err := os.WriteFile(filepath.Join(s.Dir, Envelope), []byte("version = 2\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := again.Text(Envelope); err == nil || !strings.Contains(err.Error(), "was changed since") {
		t.Errorf("a changed envelope: %v", err)
	}
	trips, err := again.TripParts()
	if err != nil || len(trips) != 1 {
		t.Fatal(trips, err)
	}
	rep, err := triplog.WalkFiles(trips, nil)
	if err != nil || rep.Verdict != triplog.CutShort || rep.Lines != 2 {
		t.Errorf("%+v %v", rep, err)
	}
	recs, err := recording.Parts(again.Dir)
	if err != nil || len(recs) != 1 {
		t.Fatal(recs, err)
	}
	r, err := recording.OpenParts(recs)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if c, err := r.Next(); err != nil || c.Source != intake.Pins || r.Info().Session != s.Info.Session {
		t.Errorf("%+v %v", c, err)
	}
}

func TestOpen_SaysWhatIsWrong(t *testing.T) {
	dir := t.TempDir()
	if _, err := Open(dir); err == nil || !strings.Contains(err.Error(), "own folder") {
		t.Errorf("%v", err)
	}
	for text, want := range map[string]string{"{": "damaged", `{"v":7}`: "version 7"} {
		if err := os.WriteFile(filepath.Join(dir, "session.json"), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		if _, err := Open(dir); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}

func TestCreate_RefusesASecondGuard(t *testing.T) {
	logs := t.TempDir()
	s := create(t, logs)
	_, err := Create(logs, meta, threeFiles)
	if err == nil || !strings.Contains(err.Error(), fmt.Sprintf("pid %d", os.Getpid())) {
		t.Errorf("a second guard: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := create(t, logs).Close(); err != nil {
		t.Errorf("after the first let go: %v", err)
	}
}

// TestCreate_LockDiesWithItsProcess: a killed guard does not keep the next out.
func TestCreate_LockDiesWithItsProcess(t *testing.T) {
	if logs := os.Getenv("SESSION_HOLD"); logs != "" {
		if err := create(t, logs).Remember("blocked", false); err != nil {
			t.Fatal(err)
		}
		fmt.Println("held")
		time.Sleep(time.Minute)
		return
	}
	logs := t.TempDir()
	cmd := exec.Command(os.Args[0], "-test.run=^TestCreate_LockDiesWithItsProcess$")
	cmd.Env = append(os.Environ(), "SESSION_HOLD="+logs)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = cmd.Process.Kill(); _ = cmd.Wait() }()
	said := make([]byte, 5)
	if _, err := io.ReadFull(out, said); err != nil || string(said) != "held\n" {
		t.Fatalf("%q %v", said, err)
	}
	if _, err := Create(logs, meta, threeFiles); err == nil || !strings.Contains(err.Error(), fmt.Sprintf("pid %d", cmd.Process.Pid)) {
		t.Errorf("beside a living guard: %v", err)
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait()
	endings, err := Unfinished(logs)
	if err != nil || len(endings) != 1 || endings[0].How != NotEnded {
		t.Errorf("%+v %v", endings, err)
	}
	s := create(t, logs)
	if s.Info.Number != 2 {
		t.Errorf("number %d", s.Info.Number)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

func TestCreate_SaysWhyAFolderWillNotDo(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	crowded := meta
	crowded.Room = 1 << 62
	for _, c := range []struct {
		what, dir string
		meta      Meta
		files     []File
		want      string
	}{
		{"no such folder", filepath.Join(dir, "none"), meta, threeFiles, "mkdir -p"},
		{"a file", file, meta, threeFiles, "is a file, not a folder"},
		{"no room", dir, crowded, threeFiles, "make room"},
		{"an unknown file", dir, meta, []File{{Name: "../x"}}, "want envelope.toml"},
		{"a file twice", dir, meta, []File{{Name: Pad}, {Name: Pad}}, "file exists"},
		{"a clock before 1970", dir, Meta{Room: 1}, threeFiles, "1970"},
	} {
		if _, err := Create(c.dir, c.meta, c.files); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.what, err, c.want)
		}
	}
	if _, err := Unfinished(file); err == nil {
		t.Error("sessions were looked for in a file")
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if e.Name() != "file" && e.Name() != lockName {
			t.Errorf("%s was left behind", e.Name())
		}
	}
}

// mount mounts a small file system in memory, or says why not.
func mount(t *testing.T, options string) string {
	t.Helper()
	dir := t.TempDir()
	if os.Getuid() != 0 {
		t.Skip("needs root to mount a small disk")
	}
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, options); err != nil {
		t.Skipf("no small disk can be mounted here: %v", err)
	}
	t.Cleanup(func() { _ = unix.Unmount(dir, unix.MNT_DETACH) })
	return dir
}

//fault:row a read-only disk at the start | refused with the reason
func TestCreate_ReadOnlyDisk(t *testing.T) {
	dir := mount(t, "size=1m")
	if err := unix.Mount("", dir, "", unix.MS_REMOUNT|unix.MS_RDONLY, ""); err != nil {
		t.Skipf("cannot remount read-only here: %v", err)
	}
	if _, err := Create(dir, meta, threeFiles); err == nil || !strings.Contains(err.Error(), "read-only for this program") {
		t.Errorf("%v", err)
	}
}

func TestCreate_FolderWithoutRights(t *testing.T) {
	if os.Getuid() == 0 {
		t.Skip("root may write everywhere")
	}
	dir := t.TempDir()
	if err := os.Chmod(dir, 0o555); err != nil {
		t.Fatal(err)
	}
	if _, err := Create(dir, meta, threeFiles); err == nil || !strings.Contains(err.Error(), "right to write") {
		t.Errorf("%v", err)
	}
}

func TestCreate_FullDisk(t *testing.T) {
	dir := mount(t, "size=256k")
	big := meta
	big.Room = 1 << 20
	if _, err := Create(dir, big, threeFiles); err == nil || !strings.Contains(err.Error(), "want at least 1 MB") {
		t.Errorf("%v", err)
	}
	fill, err := os.Create(filepath.Join(dir, "fill"))
	if err != nil {
		t.Fatal(err)
	}
	for err == nil {
		_, err = fill.Write(make([]byte, 4096))
	}
	_ = fill.Close()
	if !errors.Is(err, unix.ENOSPC) {
		t.Fatal(err)
	}
	// With room for a page, the disk itself must say no.
	info, err := os.Stat(filepath.Join(dir, "fill"))
	if err == nil {
		err = os.Truncate(filepath.Join(dir, "fill"), info.Size()-4096)
	}
	if err != nil {
		t.Fatal(err)
	}
	big.Room = 1
	if _, err := Create(dir, big, threeFiles); err == nil || !strings.Contains(err.Error(), "disk is full") {
		t.Errorf("%v", err)
	}
	if left, err := filepath.Glob(filepath.Join(dir, "*Z-*")); err != nil || len(left) != 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// TestSession_DiskFillsInTheMiddle: lines wait, and are kept once there is room.
func TestSession_DiskFillsInTheMiddle(t *testing.T) {
	dir := mount(t, "size=512k")
	s := create(t, dir)
	fill, err := os.Create(filepath.Join(dir, "fill"))
	if err != nil {
		t.Fatal(err)
	}
	for err == nil {
		_, err = fill.Write(make([]byte, 4096))
	}
	_ = fill.Close()
	var failed error
	recorded := 0
	for i := range 400 {
		at := time.Duration(i) * 10 * time.Millisecond
		if err := s.Trips.Append(triplog.Line{At: at, Kind: triplog.KindNote, Text: strings.Repeat("x", 4096)}, i%50 == 0); err != nil {
			failed = err
		}
		put := s.Recording.Put(intake.Chunk{At: at, Seq: uint64(i + 1), Source: intake.Pins, Bytes: make([]byte, 2048)})
		if errors.Join(put, s.Recording.Flush()) == nil {
			recorded++
		}
	}
	if failed == nil || recorded == 400 {
		t.Fatalf("a full disk took everything: %v, %d chunks", failed, recorded)
	}
	if err := os.Remove(fill.Name()); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mount("", dir, "", unix.MS_REMOUNT, "size=16m"); err != nil {
		t.Skipf("cannot make the disk larger here: %v", err)
	}
	if err := s.Trips.Append(triplog.Line{At: time.Minute, Kind: triplog.KindEnded}, true); err != nil {
		t.Fatalf("with room again: %v", err)
	}
	if err := s.Recording.Put(intake.Chunk{At: time.Minute, Seq: 401, Source: intake.Pins}); err != nil {
		t.Fatalf("with room again: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	names, err := s.TripParts()
	if err != nil {
		t.Fatal(err)
	}
	rep, err := triplog.WalkFiles(names, nil)
	if err != nil || rep.Verdict != triplog.Whole || len(names) < 2 {
		t.Errorf("%d files, %+v %v", len(names), rep, err)
	}
	recs, err := recording.Parts(s.Dir)
	if err != nil {
		t.Fatal(err)
	}
	r, err := recording.OpenParts(recs)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	n := 0
	for {
		if _, err = r.Next(); err != nil {
			break
		}
		n++
	}
	if info := r.Info(); !errors.Is(err, io.EOF) || n != recorded+1 || info.Missing != uint64(400-recorded) {
		t.Errorf("%d chunks of %d, %v, %+v", n, recorded+1, err, info)
	}
}
