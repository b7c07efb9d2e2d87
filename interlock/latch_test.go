package interlock

import (
	"bufio"
	"os"
	"strings"
	"testing"
)

// rows of testdata/latch.txt by name.
var latchRows = map[string]struct {
	event    Event
	grounded []bool
}{
	"permissives hold, reset done":              {EventPermissives, []bool{false, true}},
	"permissive lost":                           {EventPermissiveLost, []bool{false, true}},
	"reset accepted":                            {EventReset, []bool{false, true}},
	"start accepted":                            {EventStart, []bool{false, true}},
	"closing done":                              {EventClosed, []bool{false, true}},
	"end, disarmed and landed":                  {EventEnd, []bool{true}},
	"end, else":                                 {EventEnd, []bool{false}},
	"hold-to-run released, disarmed and landed": {EventHold, []bool{true}},
	"hold-to-run released, else":                {EventHold, []bool{false}},
	"gate opened":                               {EventGate, []bool{false, true}},
	"emergency stop":                            {EventEStop, []bool{false, true}},
	"mirror closed when it must be open":        {EventMirrorClosed, []bool{false, true}},
	"self-test failed":                          {EventSelfTest, []bool{false, true}},
	"not closed by pick-up":                     {EventNotClosed, []bool{false, true}},
	"opens uncommanded":                         {EventMirrorOpened, []bool{false, true}},
	"controlled stop due":                       {EventControlled, []bool{false, true}},
	"immediate stop due":                        {EventImmediate, []bool{false, true}},
	"down":                                      {EventDown, []bool{false, true}},
	"grace ends":                                {EventGraceOver, []bool{false, true}},
	"climbing while lowering":                   {EventClimbing, []bool{false, true}},
	"height lost while lowering":                {EventHeightLost, []bool{false, true}},
	"session ends, disarmed and landed":         {EventSessionEnd, []bool{true}},
	"session ends, else":                        {EventSessionEnd, []bool{false}},
}

// latchOracle is the table as data: state by event, grounded and state.
func latchOracle(t *testing.T) map[[3]int]State {
	t.Helper()
	file, err := os.Open("testdata/latch.txt")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	letters := map[string]State{"B": Blocked, "R": Ready, "C": Closing, "L": Live, "W": Lowering, "T": Tripped, "F": Fault}
	oracle := map[[3]int]State{}
	seen := 0
	for scan := bufio.NewScanner(file); scan.Scan(); {
		line := scan.Text()
		if line == "" || line[0] == '#' {
			continue
		}
		name := strings.TrimSpace(line[:45])
		row, ok := latchRows[name]
		if !ok {
			t.Fatalf("row %q has no event", name)
		}
		columns := strings.Fields(line[45:])
		if len(columns) != int(stateCount) {
			t.Fatalf("row %q has %d columns, want %d", name, len(columns), stateCount)
		}
		seen++
		for s, c := range columns {
			next := State(s)
			if c != "-" {
				if next, ok = letters[c]; !ok {
					t.Fatalf("row %q: no state %q", name, c)
				}
			}
			for _, g := range row.grounded {
				grounded := 0
				if g {
					grounded = 1
				}
				oracle[[3]int{int(row.event), grounded, s}] = next
			}
		}
	}
	if seen != len(latchRows) {
		t.Fatalf("%d rows in the table, %d events with conditions", seen, len(latchRows))
	}
	return oracle
}

func TestLatchIsItsTable(t *testing.T) {
	oracle := latchOracle(t)
	for event := Event(0); event < eventCount; event++ {
		for grounded := 0; grounded < 2; grounded++ {
			for s := State(0); s < stateCount; s++ {
				want, ok := oracle[[3]int{int(event), grounded, int(s)}]
				if !ok {
					t.Fatalf("the table says nothing of event %d, grounded %d, %v", event, grounded, s)
				}
				got, changed := s.Next(event, grounded == 1)
				if got != want || changed != (want != s) {
					t.Errorf("%v, event %d, grounded %d: %v (changed %v), the table says %v", s, event, grounded, got, changed, want)
				}
			}
		}
	}
}
