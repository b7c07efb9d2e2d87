package main

// daemonPages are written by hand, in mdoc(7); their heads and cautions are those of every
// page. A test holds their flags against the program's own help.
var daemonPages = []struct{ name, number, what string }{
	{"downhauld", "8", "safety interlock for an uncrewed craft on a tether"},
	{"downhauld-bench", "1", "the guard with a virtual board, for rehearsals"},
}

// daemonPage is one of them.
func daemonPage(name, number, what string) (page, error) {
	body, err := wordsFolder.ReadFile("words/" + name + "." + number)
	if err != nil {
		return page{}, err
	}
	w := newPage(name, number, what)
	w.Write(body)
	w.cautions()
	return page{name, number, w.String()}, nil
}
