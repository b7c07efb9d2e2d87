package pad

import (
	"testing"

	"downhaul/rules/card"
)

func TestCardMustAgreeWithThePad(t *testing.T) {
	p := &Pad{Craft: Craft{Motors: 8}, Packs: Packs{Cells: 14}}
	c := &card.Card{Motors: card.Motors{Count: 8, Line: 9}, Packs: []card.Pack{{Name: "A", Cells: 14, Line: 12}, {Name: "B", Cells: 14, Line: 15}}}
	if faults := p.CheckCard("card.toml", c); len(faults) != 0 {
		t.Errorf("a card that agrees: %v", faults)
	}
	c.Motors.Count, c.Packs[1].Cells = 6, 12
	want := "card.toml:9: motors.count: the pad file has another count of motors (got 6, and 8 in the pad file); mend the one that is wrong\n" +
		"card.toml:15: pack[2].cells: the pad file has another count of cells in series (got 12, and 14 in the pad file); mend the one that is wrong"
	if got := p.CheckCard("card.toml", c).Error(); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	p.Craft.Motors, p.Packs.Cells = 0, 0
	if faults := p.CheckCard("card.toml", c); len(faults) != 0 {
		t.Errorf("what the pad file does not state is held against the card: %v", faults)
	}
}
