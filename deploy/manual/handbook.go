package main

import (
	"embed"
	"fmt"
	"html"
	"regexp"
	"strings"

	"github.com/cpuguy83/go-md2man/v2/md2man"
	"github.com/russross/blackfriday/v2"
)

//go:embed handbook
var handbookFolder embed.FS

// chapters are the handbook's, in the order in which a crew needs them. What was
// measured is for a laptop's window alone: its rows are too wide for a manual page.
var chapters = []string{"evening", "bench", "firstboot", "card", "proofs", "day", "decides", "afterwards", "measured"}

const onlyWide = "measured"

// linkInTree is a link to another file of the source tree, which no package carries.
var linkInTree = regexp.MustCompile(`\[([^\]]+)\]\([^)]*\)`)

// chapter is one chapter's Markdown; links into the tree become their words.
func chapter(name string) (string, error) {
	text, err := handbookFolder.ReadFile("handbook/" + name + ".md")
	if err != nil {
		return "", err
	}
	return linkInTree.ReplaceAllString(string(text), "$1"), nil
}

// handbookMan is the chapters as a manual page.
func handbookMan() (page, error) {
	const name = "downhaul-handbook"
	var b strings.Builder
	fmt.Fprintf(&b, "%% %q %q %q\n\n# NAME\n\n%s - the chapters of downhaul for its crew\n\n", name, "7", date, name)
	for _, c := range chapters {
		if c == onlyWide {
			continue
		}
		text, err := chapter(c)
		if err != nil {
			return page{}, err
		}
		b.WriteString(text + "\n")
	}
	b.WriteString("# CAUTIONS\n\n" + cautionWords + "\n")
	return page{name, "7", string(md2man.Render([]byte(b.String())))}, nil
}

// handbookStyle keeps lines short enough to read, tables within the window and paper plain.
const handbookStyle = `body{font:1rem/1.5 sans-serif;max-width:46rem;margin:0 auto;padding:1rem;color:#111;background:#fff}
pre{overflow-x:auto;background:#f2f2f2;padding:.6rem;font-size:.85rem;line-height:1.35}
table{border-collapse:collapse;display:block;overflow-x:auto}th,td{border:1px solid #888;padding:.2rem .5rem;text-align:left;vertical-align:top}
h1,h2{line-height:1.2;margin-top:2rem}dt{font-family:monospace;font-weight:bold;margin-top:.5rem}
@media print{pre{white-space:pre-wrap}h1{break-before:page}}`

// handbookPage is everything a laptop without manual pages needs, as one page that opens
// without a network: chapters, commands, and the keys of the three files.
func handbookPage(tool string, keys map[string][]section) (string, error) {
	var list, body strings.Builder
	begin := func(id, title string) {
		fmt.Fprintf(&list, "<li><a href=%q>%s</a></li>\n", "#"+id, html.EscapeString(title))
		fmt.Fprintf(&body, "<h1 id=%q>%s</h1>\n", id, html.EscapeString(title))
	}
	for _, c := range chapters {
		text, err := chapter(c)
		if err != nil {
			return "", err
		}
		title, rest, _ := strings.Cut(strings.TrimPrefix(text, "# "), "\n")
		begin(c, title)
		body.Write(blackfriday.Run([]byte(rest)))
	}
	help, err := helpOf(tool)
	if err != nil {
		return "", err
	}
	begin("commands", "Commands")
	for _, name := range commandsOf(help) {
		text, err := helpOf(tool, name)
		if err != nil {
			return "", err
		}
		fmt.Fprintf(&body, "<h2>%s</h2>\n<pre>%s</pre>\n", name, html.EscapeString(strings.TrimSpace(text)))
	}
	for i := range formats {
		f := &formats[i]
		words, err := wordsOf(f.name)
		if err != nil {
			return "", err
		}
		begin("keys-"+f.name, "Keys of "+f.name+".toml")
		for _, s := range keys[f.name] {
			if s.path != "" {
				fmt.Fprintf(&body, "<h2>%s</h2>\n<p>%s</p>\n", html.EscapeString(s.header()), html.EscapeString(words[s.header()]))
			}
			body.WriteString("<dl>\n")
			for _, k := range s.keys {
				said := words[strings.TrimPrefix(s.path+"."+k, ".")]
				if said == "" {
					said = noWords
				}
				fmt.Fprintf(&body, "<dt>%s</dt><dd>%s</dd>\n", html.EscapeString(k), html.EscapeString(said))
			}
			body.WriteString("</dl>\n")
		}
	}
	return "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n" +
		"<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>Downhaul: handbook</title>\n" +
		"<style>" + handbookStyle + "</style>\n</head>\n<body>\n<main>\n<p><strong>Downhaul, the handbook.</strong> " + html.EscapeString(cautionWords) +
		"</p>\n<nav aria-label=\"Chapters\"><ul>\n" + list.String() + "</ul></nav>\n" + body.String() + "</main>\n</body>\n</html>\n", nil
}
