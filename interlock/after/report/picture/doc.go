// Package picture draws the charts of our pages, and has the style that these pages share.
//
// It promises: a drawing is part of its page and asks nothing of a network; the same
// values draw the same, byte for byte. It never reads a file and never decides anything.
package picture

import (
	_ "embed"
	"html/template"
)

//go:embed page.css
var sheet string

// Style is the style sheet of our pages, for a desk, a phone and paper.
var Style = template.CSS(sheet) // our own
