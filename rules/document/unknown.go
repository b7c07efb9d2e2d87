package document

import (
	"cmp"
	"slices"
	"strings"
)

// unasked keeps a fault for every key in t and below that nobody asked for.
func (t *Table) unasked() {
	for _, key := range t.node.names {
		if _, ok := t.values[key]; !ok {
			continue
		}
		if !slices.Contains(t.asked, key) {
			t.Fault(key, "unknown key", "", cmp.Or(Nearest(key, t.asked), "take it out"))
			continue
		}
		if s, ok := t.tables[key]; ok {
			s.unasked()
		}
		for _, row := range t.rows[key] {
			row.unasked()
		}
	}
}

// Nearest is how to mend a word that is none of the known ones: it suggests the
// nearest, then what holds it as a part, or lists all when they are few. Empty
// when nothing is near among many.
func Nearest(got string, words []string) string {
	best, least := "", 1+max(1, min(3, len(got)/3))
	for _, w := range words {
		if d := distance(strings.ToLower(got), strings.ToLower(w)); d < least {
			best, least = w, d
		}
	}
	if best != "" {
		return `did you mean "` + best + `"?`
	}
	if len(got) >= 3 {
		var within []string
		for _, w := range words {
			if strings.Contains(w, strings.ToLower(got)) {
				within = append(within, `"`+w+`"`)
			}
		}
		if n := len(within); n > 0 && n <= 4 {
			return "did you mean " + List(within, "or") + "?"
		}
	}
	if n := len(words); n > 0 && n <= 20 {
		return "known here: " + strings.Join(words, ", ")
	}
	return ""
}

// distance counts the single changes (insert, delete, replace, swap of two
// neighbours) between a and b. Names are short; long ones are cut.
func distance(a, b string) int {
	const longest = 64
	x, y := []rune(a), []rune(b)
	x, y = x[:min(len(x), longest)], y[:min(len(y), longest)]
	var before, above, row [longest + 1]int
	for j := range len(y) + 1 {
		above[j] = j
	}
	for i := 1; i <= len(x); i++ {
		row[0] = i
		for j := 1; j <= len(y); j++ {
			cost := 1
			if x[i-1] == y[j-1] {
				cost = 0
			}
			row[j] = min(above[j]+1, row[j-1]+1, above[j-1]+cost)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, above = above, row
	}
	return above[len(y)]
}
