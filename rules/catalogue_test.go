package rules

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

var rewriteCatalogue = flag.Bool("rewrite-catalogue", false, "write testdata/catalogue.txt anew: say in the commit why a bound moved")

// Every bound and time of the catalogue stands a second time in a table, so that
// none moves by a slip: a plausible range that is a little too wide lets a broken
// sensor through, a staleness that is too long holds a stop back.
func TestCatalogueIsTheTable(t *testing.T) {
	var b strings.Builder
	fmt.Fprintln(&b, "# channel kind lowest highest period stale_after frozen_after derived")
	for _, c := range Catalogue() {
		fmt.Fprintln(&b, c.Name, c.Kind, c.Low, c.High, c.Period, c.Stale, c.FrozenAfter, c.Derived)
	}
	const name = "testdata/catalogue.txt"
	if *rewriteCatalogue {
		if err := os.WriteFile(name, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), b.String()); diff != "" {
		t.Errorf("the catalogue is not its table (- table, + catalogue):\n%s", diff)
	}
}

// What repeats is counted from its first: each constant is the channel that its own
// name says.
func TestConstantsOfWhatRepeats(t *testing.T) {
	for name, id := range map[string]ChannelID{
		"pack2.voltage": Pack2Voltage, "pack3.voltage": Pack3Voltage, "pack4.voltage": Pack4Voltage,
		"pack2.current": Pack2Current, "pack3.current": Pack3Current, "pack4.current": Pack4Current,
		"pack2.temperature": Pack2Temperature, "pack3.temperature": Pack3Temperature, "pack4.temperature": Pack4Temperature,
		"pack2.lowest_cell": Pack2LowestCell, "pack3.lowest_cell": Pack3LowestCell, "pack4.lowest_cell": Pack4LowestCell, "pack4.cell_spread": Pack4CellSpread,
		"motor16.output": Motor16Output, "motor16.speed": Motor16Speed, "told8": Told8,
	} {
		if got := id.String(); got != name {
			t.Errorf("the channel of %s is %s", name, got)
		}
	}
}

// The bounds that a message's own field sets (MAVLink common.xml, and its units):
// a value past them cannot come from that field.
func TestCatalogueHoldsWhatAFieldCanSay(t *testing.T) {
	for name, most := range map[string]float64{
		"craft.status":     255,                      // HEARTBEAT.system_status, uint8
		"craft.severity":   7,                        // MAV_SEVERITY 0 to 7, as in RFC 5424
		"craft.boot_clock": (1<<32 - 1) / 1000.0,     // time_boot_ms, uint32, in ms
		"pack.current":     float64(1<<15-1) / 100.0, // BATTERY_STATUS.current_battery, int16, in cA
	} {
		c, ok := Lookup(name)
		if !ok {
			t.Fatalf("no channel %s", name)
		}
		if c.High < most-0.001 {
			t.Errorf("%s: plausible up to %v, the field tells up to %v", name, c.High, most)
		}
	}
}

// What must take power off at once if it goes silent is not given longer than the
// plan's own table allows: attitude 0.2 s, height and climb 0.3 s, load cell 50 ms.
func TestCatalogueStalenessOfWhatActsAtOnce(t *testing.T) {
	for prefix, most := range map[string]time.Duration{
		"craft.roll": 200 * time.Millisecond, "craft.pitch": 200 * time.Millisecond, "craft.tilt": 200 * time.Millisecond,
		"craft.height": 300 * time.Millisecond, "craft.climb": 300 * time.Millisecond, "craft.apex": 300 * time.Millisecond,
		"tether.tension": 50 * time.Millisecond,
	} {
		found := false
		for _, c := range Catalogue() {
			if strings.HasPrefix(c.Name, prefix) {
				found = true
				if c.Stale > most {
					t.Errorf("%s: stale after %v, want %v at most", c.Name, c.Stale, most)
				}
			}
		}
		if !found {
			t.Errorf("no channel begins with %s", prefix)
		}
	}
}
