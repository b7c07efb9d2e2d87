package pad

import (
	"fmt"

	"downhaul/rules/card"
	"downhaul/rules/document"
)

// CheckCard checks a test card against the pad file: what both state of the one
// craft must be the same. The file's name is the card's, for the faults only.
func (p *Pad) CheckCard(file string, c *card.Card) document.Faults {
	var out document.Faults
	if n := c.Motors.Count; n > 0 && p.Craft.Motors > 0 && n != p.Craft.Motors {
		out = append(out, document.Fault{File: file, Line: c.Motors.Line, Key: "motors.count", Wrong: "the pad file has another count of motors",
			Got: fmt.Sprintf("%d, and %d in the pad file", n, p.Craft.Motors), Mend: "mend the one that is wrong"})
	}
	for i := range c.Packs {
		if k := &c.Packs[i]; p.Packs.Cells > 0 && k.Cells != p.Packs.Cells {
			out = append(out, document.Fault{File: file, Line: k.Line, Key: fmt.Sprintf("pack[%d].cells", i+1), Wrong: "the pad file has another count of cells in series",
				Got: fmt.Sprintf("%d, and %d in the pad file", k.Cells, p.Packs.Cells), Mend: "mend the one that is wrong"})
		}
	}
	out.Sort()
	return out
}
