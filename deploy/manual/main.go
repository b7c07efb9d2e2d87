package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

func main() {
	if len(os.Args) != 4 {
		fmt.Fprintln(os.Stderr, "usage: manual ROOT DOWNHAUL DIR\n\nWrites the manual into DIR, its pages into DIR/man and the schemas into DIR/schema;\nDOWNHAUL is the crew's tool, built for this computer, ROOT the root of the sources.")
		os.Exit(2)
	}
	if err := write(os.Args[1], os.Args[2], os.Args[3]); err != nil {
		fmt.Fprintln(os.Stderr, "manual:", err)
		os.Exit(2)
	}
}

// page is one manual page.
type page struct {
	name, number, text string
}

// write makes every page and puts it where manual readers look, and the handbook as one
// page of HTML beside their folders.
func write(root, tool, dir string) error {
	pages := []page{limitsPage()}
	for _, d := range daemonPages {
		p, err := daemonPage(d.name, d.number, d.what)
		if err != nil {
			return err
		}
		pages = append(pages, p)
	}
	p, err := toolPage(tool)
	if err != nil {
		return err
	}
	pages = append(pages, p)
	if p, err = handbookMan(); err != nil {
		return err
	}
	pages = append(pages, p)
	if p, err = objectsPage(root); err != nil {
		return err
	}
	pages = append(pages, p)
	keys := map[string][]section{}
	schemas := filepath.Join(dir, "schema")
	errs := []error{os.CopyFS(schemas, os.DirFS(filepath.Join(root, "deploy/schema")))}
	for i := range formats {
		s, err := formats[i].sections(root)
		if err != nil {
			return err
		}
		keys[formats[i].name] = s
		words, err := wordsOf(formats[i].name)
		if err != nil {
			return err
		}
		pages = append(pages, formatPage(&formats[i], s, words))
		text, err := written(formats[i].schema(s, words))
		errs = append(errs, err, os.WriteFile(filepath.Join(schemas, formats[i].name+".schema.json"), text, 0o644))
	}
	wide, err := handbookPage(tool, keys)
	if err != nil {
		return err
	}
	errs = append(errs, os.WriteFile(filepath.Join(dir, "handbook.html"), []byte(wide), 0o644))
	for _, p := range pages {
		folder := filepath.Join(dir, "man", "man"+p.number)
		errs = append(errs, os.MkdirAll(folder, 0o755),
			os.WriteFile(filepath.Join(folder, p.name+"."+p.number), []byte(p.text), 0o644))
	}
	return errors.Join(errs...)
}
