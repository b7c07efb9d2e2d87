package hazard

import (
	"strings"
	"testing"

	"downhaul/interlock/sense"
	"downhaul/rules/document"
)

func found(line int, wrong string, rests ...int) Finding {
	x := Finding{Fault: document.Fault{File: "f", Line: line, Wrong: wrong}}
	for _, at := range rests {
		x.Rests = append(x.Rests, Place{File: "f", Line: at})
	}
	return x
}

// A consequence goes with its cause, its own consequence too, and what follows from
// what is known already goes unsaid. Nothing is lost: each finding is somewhere.
func TestConsequencesGoWithTheirCause(t *testing.T) {
	all := Findings{found(1, "a"), found(2, "b", 1), found(3, "c", 2), found(4, "d"), found(1, "e"), found(5, "f", 9), found(6, "g", 5), found(0, "h"), found(0, "i")}
	var told []string
	for _, c := range all.Split(Place{File: "f", Line: 9}) {
		text := c.Wrong
		for _, x := range c.After {
			text += ">" + x.Wrong
		}
		told = append(told, text)
	}
	// Without a line nothing can be told to be of one place.
	if got := strings.Join(told, " "); got != "a; e>b>c d h i" {
		t.Errorf("got %q", got)
	}
}

// A doubt on which a refusal rests is the refusal, in the line of the doubt, with what
// it leads to; one that itself rests on what is refused stays a doubt.
func TestTheNumberBehindARefusalIsRefused(t *testing.T) {
	refused, doubts := Promote(Findings{found(5, "no room", 2, 3)}, Findings{found(2, "unusual"), found(7, "else"), found(3, "after", 5)})
	if len(refused) != 2 || refused[0].Line != 2 || !strings.HasPrefix(refused[0].Wrong, "unusual, and with it ") || !strings.HasSuffix(refused[0].Wrong, "no room") || len(doubts) != 2 {
		t.Errorf("refused %v, doubts %v", refused, doubts)
	}
	if got := refused.Causes(); len(got) != 1 || got[0].Line != 2 {
		t.Errorf("causes %v", got)
	}
}

// Every number that a row rests on is a key that a file may have.
func TestRowsRestOnKeysThatAreRead(t *testing.T) {
	known := map[string]bool{}
	for _, r := range sense.AllRanges() {
		known[r[0]+" "+r[1]] = true
	}
	for _, key := range strings.Fields("height.thrust_to_weight craft.motors link[].delay stop.stated packs.cells wind.height anchor.north anchor.east load_cell.known[].load") {
		known["pad "+key] = true
	}
	for _, key := range strings.Fields("motors.count motors.losses pack[].cells step[].ballast craft.radius craft.width") {
		known["card "+key] = true
	}
	for _, r := range sense.Rows {
		for _, key := range r.Rests {
			if !known[key] {
				t.Errorf("%s: rests on %s", r.What, key)
			}
		}
	}
	for _, r := range Rows {
		for _, key := range r.rests {
			if !known[key] {
				t.Errorf("%s: rests on %s", r.What, key)
			}
		}
	}
}
