package main

import (
	"archive/zip"
	"cmp"
	"debug/buildinfo"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/CycloneDX/cyclonedx-go"
)

const usage = `usage: parcel bill VERSION PROGRAM...   writes a CycloneDX bill of materials to standard output
       parcel zip FOLDER FILE           packs a folder, under its own name

Times are that of SOURCE_DATE_EPOCH`

func main() {
	err := errors.New(usage)
	switch a := os.Args[1:]; {
	case len(a) >= 3 && a[0] == "bill":
		err = bill(os.Stdout, a[1], a[2:])
	case len(a) == 3 && a[0] == "zip":
		err = archive(a[1], a[2])
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "parcel:", err)
		os.Exit(2)
	}
}

// bill writes the modules that are linked into the programs, and Go's own library.
func bill(w io.Writer, version string, programs []string) error {
	seconds, err := strconv.ParseInt(os.Getenv("SOURCE_DATE_EPOCH"), 10, 64)
	if err != nil {
		return fmt.Errorf("SOURCE_DATE_EPOCH must be seconds: %w", err)
	}
	var parts []cyclonedx.Component
	add := func(path, version string) {
		url := "pkg:golang/" + path + "@" + version
		parts = append(parts, cyclonedx.Component{Type: cyclonedx.ComponentTypeLibrary, BOMRef: url, Name: path, Version: version, PackageURL: url})
	}
	for _, name := range programs {
		info, err := buildinfo.ReadFile(name)
		if err != nil {
			return fmt.Errorf("read what %s was built of: %w", name, err)
		}
		add("std", strings.TrimPrefix(info.GoVersion, "go"))
		for _, m := range info.Deps {
			if m.Replace != nil {
				m = m.Replace
			}
			add(m.Path, m.Version)
		}
	}
	slices.SortFunc(parts, func(a, b cyclonedx.Component) int { return cmp.Compare(a.BOMRef, b.BOMRef) })
	parts = slices.CompactFunc(parts, func(a, b cyclonedx.Component) bool { return a.BOMRef == b.BOMRef })
	b := cyclonedx.NewBOM()
	b.Metadata = &cyclonedx.Metadata{
		Timestamp: time.Unix(seconds, 0).UTC().Format(time.RFC3339),
		Component: &cyclonedx.Component{Type: cyclonedx.ComponentTypeApplication, BOMRef: "downhaul", Name: "downhaul", Version: version},
	}
	b.Components = &parts
	return cyclonedx.NewBOMEncoder(w, cyclonedx.BOMFileFormatJSON).SetPretty(true).Encode(b)
}

// archive packs the folder with the times that its files have.
func archive(folder, file string) error {
	f, err := os.Create(file)
	if err != nil {
		return err
	}
	z := zip.NewWriter(f)
	err = filepath.WalkDir(folder, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		h, err := zip.FileInfoHeader(info)
		if err != nil {
			return err
		}
		name, err := filepath.Rel(filepath.Dir(folder), path)
		if err != nil {
			return err
		}
		h.Name, h.Method = filepath.ToSlash(name), zip.Deflate
		w, err := z.CreateHeader(h)
		if err != nil {
			return err
		}
		from, err := os.Open(path)
		if err != nil {
			return err
		}
		defer from.Close()
		_, err = io.Copy(w, from)
		return err
	})
	return errors.Join(err, z.Close(), f.Close())
}
