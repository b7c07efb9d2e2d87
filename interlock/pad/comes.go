package pad

import (
	_ "embed"
	"fmt"
	"slices"
	"strings"
	"time"

	"downhaul/interlock/day/derived"
	"downhaul/rules"
	"downhaul/rules/document"
)

//go:embed comes_every.txt
var comesEvery string

// MaySlow are the signs that [comes_every] may state, by name: the longest spacing, the
// message that tells it, and why no longer one is taken.
func MaySlow() (rows [][]string) {
	for line := range strings.Lines(comesEvery) {
		if !strings.HasPrefix(line, "#") {
			rows = append(rows, strings.Split(strings.TrimSpace(line), "|"))
		}
	}
	return rows
}

// comes reads how far apart the signs come on which armed, airborne, down and the life
// of the link rest: a value counts for two and a half of it, or for its channel's own
// time where that is longer.
func (r *reading) comes() {
	t := r.root.Table("comes_every")
	r.ComesEvery, r.Slow = map[rules.ChannelID]time.Duration{}, map[rules.ChannelID]time.Duration{}
	var names []string
	for _, row := range MaySlow() {
		names = append(names, row[0])
		d, ok := rules.DurationAt(t, row[0])
		longest, _ := rules.ParseQuantity(row[1], rules.Duration)
		switch {
		case !ok:
			continue
		case d <= 0 || d.Seconds() > longest.SI:
			t.Fault(row[0], "must be more than 0 and at most "+row[1]+": "+row[3], t.Got(row[0]), "have the craft send it oftener ("+row[2]+")")
			continue
		}
		c, _ := rules.Lookup(row[0])
		r.ComesEvery[c.ID] = d
		Slower(r.Slow, r.Derived(), c.ID, d)
	}
	for _, key := range t.Keys() {
		if !slices.Contains(names, key) {
			t.Has(key)
			t.Fault(key, "is no sign whose spacing counts here", "", fmt.Sprintf("write some of %s; a rule's own time is its stale_after", document.List(names, "and")))
		}
	}
}

// Slower adds to slow how old a sign, and what it rests on, may be where it comes so far
// apart.
func Slower(slow map[rules.ChannelID]time.Duration, cfg derived.Config, sign rules.ChannelID, every time.Duration) {
	if old := 5 * every / 2; old > sign.Stale() {
		for _, id := range append(cfg.Needs(sign), sign) {
			slow[id] = max(slow[id], old)
		}
	}
}
