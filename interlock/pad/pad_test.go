package pad

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock"
	"downhaul/interlock/day/derived"
	"downhaul/interlock/day/intake"
	"downhaul/rules"
	"downhaul/rules/document"
)

func example(t testing.TB, name string) []byte {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func mustRead(t testing.TB, text []byte) *Pad {
	t.Helper()
	p, faults := Read("pad.toml", text)
	if faults != nil {
		t.Fatalf("refused:\n%v", faults)
	}
	return p
}

// VirtualBoard opens a pad's virtual board without its socket; board_test.go sets it,
// since what makes the board imports this package.
var VirtualBoard func(p *Pad) (*virtual.Board, error)

// usable checks that what was read is taken by everything that stands on it.
func usable(p *Pad) error {
	if err := meant(p.Intake()); err != nil {
		return err
	}
	if _, err := derived.New(p.Derived(), func(id rules.ChannelID) bool { return id.Channel().Derived && p.Fed(id) != rules.NotFed }); err != nil {
		return err
	}
	b, err := VirtualBoard(p)
	if err != nil {
		return err
	}
	return b.Close()
}

func TestExamplesAreUsable(t *testing.T) {
	for _, name := range []string{"watch.toml", "guard.toml", "rehearse.toml"} {
		if err := usable(mustRead(t, example(t, name))); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func near(a, b float64) bool { return a-b < 1e-9 && b-a < 1e-9 }

func TestGuardPadSaysEverything(t *testing.T) {
	p := mustRead(t, example(t, "guard.toml"))
	if p.Duty != interlock.Guard || p.Units != "imperial" || p.Title != "North Field, north pad" || p.LogFolder != "/srv/downhaul" {
		t.Errorf("the top is wrong: %+v", p)
	}
	if p.Craft.OutputIdle != 1100*time.Microsecond || p.Craft.OutputFull != 1940*time.Microsecond || p.Craft.Motors != 8 {
		t.Errorf("the craft is wrong: %+v", p.Craft)
	}
	if !p.Stop.Proven || p.Stop.Time != 1200*time.Millisecond || p.Stop.Date != "2026-05-16" {
		t.Errorf("the stop time is wrong: %+v", p.Stop)
	}
	if len(p.Height.Sources) != 2 || p.Height.Vote != derived.Highest || !near(p.Height.MaxAcceleration, 900.0/31) {
		t.Errorf("the height is wrong: %+v", p.Height)
	}
	if len(p.Links) != 2 || p.Links[0].Baud != 57600 || p.Links[1].From.String() != "192.0.2.10:0" {
		t.Errorf("the links are wrong: %+v", p.Links)
	}
	if p.Packs.Capacity != 22*3600 || p.Packs.Floor != 41.4 || p.Packs.Count != 2 {
		t.Errorf("the packs are wrong: %+v", p.Packs)
	}
	// The certificate's line U = 0.27 + 0.620 f, check value 10 Hz: 6.47 m/s
	// (operating manual of a cup anemometer, p. 13).
	if u := p.Wind.Offset + p.Wind.Slope*10; !near(u, 6.47) {
		t.Errorf("10 Hz is %v m/s, the published line says 6.47", u)
	}
	if p.LoadCell.Zero != 8421 || !near(p.LoadCell.NewtonsPerCount*(204551-8421), 20*9.80665) {
		t.Errorf("the load cell is wrong: %+v", p.LoadCell)
	}
	// °F to °C: (F − 32)·5/9, so 212 °F is 100 °C.
	if n := p.Named[1]; !near(n.Factor*212+n.Offset, 100) {
		t.Errorf("212 °F comes as %v °C", n.Factor*212+n.Offset)
	}
	s := p.Site()
	if s.Duty != interlock.Guard || !s.Rotors.Measured || s.PickUp != 250*time.Millisecond || s.DropOut != 150*time.Millisecond ||
		s.Discrepancy != 300*time.Millisecond || s.EndGrace != 25*time.Second || s.IdleCurrent != 3 {
		t.Errorf("the site is wrong: %+v", s)
	}
	for l := range interlock.LineCount {
		if want := l != interlock.Hold; s.Fitted[l] != want {
			t.Errorf("line %v fitted: %v", l, s.Fitted[l])
		}
	}
	if p.Hash == ([32]byte{}) {
		t.Error("no hash")
	}
}

// The meaning of a level: what each contact at rest and a cut wire must read as.
func TestLinesAtRestAndCutAreSafe(t *testing.T) {
	for _, low := range []string{"", ", closed is low"} {
		text := example(t, "guard.toml")
		from := strings.Index(string(text), "[board.lines]")
		to := strings.Index(string(text), "[contactor]")
		lines := "[board.lines]\nrelay = \"gpiochip0:1\"\nheartbeat = \"gpiochip0:2\"\nbuzzer = \"gpiochip0:3\"\nanemometer = \"gpiochip0:4\"\n"
		for i, name := range []string{"estop_a", "estop_b", "gate", "hold", "reset", "start", "end", "readback"} {
			lines += name + " = \"gpiochip0:1" + string(rune('0'+i)) + low + "\"\n"
		}
		whole := strings.Replace(string(text[:from])+lines+string(text[to:]), "hold          = ", "# hold = ", 1)
		p := mustRead(t, []byte(whole))
		board, err := VirtualBoard(p)
		if err != nil {
			t.Fatal(err)
		}
		in, err := intake.New(p.Intake())
		if err != nil {
			t.Fatal(err)
		}
		levels, err := board.Levels()
		if err != nil {
			t.Fatal(err)
		}
		read := func(levels uint32) map[interlock.Line]bool {
			on := map[interlock.Line]bool{}
			for _, i := range in.Append(nil, &intake.Chunk{Source: intake.Pins, Bytes: intake.AppendPins(nil, levels, false)}) {
				on[i.Line] = i.On
			}
			return on
		}
		rest := read(levels)
		for l, want := range map[interlock.Line]bool{interlock.EStopA: true, interlock.EStopB: true, interlock.Gate: true,
			interlock.Hold: false, interlock.Reset: false, interlock.Start: false, interlock.End: false, interlock.Readback: false} {
			if rest[l] != want {
				t.Errorf("%q at rest: %v reads %v", low, l, rest[l])
			}
		}
		cut := uint32(0) // a cut wire reads as an open contact
		if low != "" {
			cut = 0xffffffff
		}
		dead := read(cut)
		for l, want := range map[interlock.Line]bool{interlock.EStopA: false, interlock.EStopB: false, interlock.Gate: false,
			interlock.Hold: false, interlock.Start: false, interlock.Readback: true} {
			if dead[l] != want {
				t.Errorf("%q with all wires cut: %v reads %v", low, l, dead[l])
			}
		}
		if err := board.Close(); err != nil {
			t.Error(err)
		}
	}
}

func TestFed(t *testing.T) {
	guard := mustRead(t, example(t, "guard.toml"))
	rehearse := mustRead(t, example(t, "rehearse.toml"))
	watch := mustRead(t, example(t, "watch.toml"))
	for _, c := range []struct {
		pad  *Pad
		name string
		want rules.Origin
	}{
		{guard, "tether.tension", rules.OwnSensor}, {guard, "tether.tension_rate", rules.OwnSensor},
		{guard, "wind.gust3s", rules.OwnSensor}, {guard, "wind.rotor", rules.OwnSensor},
		{guard, "craft.apex", rules.CraftSays}, {guard, "craft.wind", rules.NotFed}, {guard, "link.age", rules.OwnSensor},
		{guard, "motor8.output", rules.CraftSays}, {guard, "motor9.output", rules.NotFed}, {guard, "motor.spread", rules.CraftSays},
		{guard, "pack2.lowest_cell", rules.CraftSays}, {guard, "pack3.voltage", rules.NotFed}, {guard, "pack.time_to_floor", rules.CraftSays},
		{guard, "told1", rules.CraftSays}, {guard, "told2", rules.NotFed},
		{rehearse, "tether.tension", rules.CraftSays}, {rehearse, "wind.gust3s", rules.NotFed},
		{rehearse, "pack.lowest_cell", rules.NotFed}, {rehearse, "pack.voltage", rules.CraftSays}, {rehearse, "pack.mean_cell", rules.CraftSays},
		{rehearse, "pack.time_to_floor", rules.NotFed}, {rehearse, "craft.apex", rules.CraftSays},
		{watch, "craft.height.global", rules.CraftSays}, {watch, "craft.height", rules.NotFed}, {watch, "craft.apex", rules.NotFed},
		{watch, "tether.tension", rules.NotFed}, {watch, "motor.highest", rules.NotFed}, {watch, "craft.tilt", rules.CraftSays},
	} {
		ch, ok := rules.Lookup(c.name)
		if !ok {
			t.Fatalf("no channel %s", c.name)
		}
		if got := c.pad.Fed(ch.ID); got != c.want {
			t.Errorf("%s is %v, want %v", c.name, got, c.want)
		}
	}
	if guard.Fed(rules.NoChannel) != rules.NotFed || guard.Fed(rules.ChannelCount) != rules.NotFed {
		t.Error("a channel that is none is fed")
	}
}

// seeds gives a fuzz target the example files, whole and with pieces missing.
func seeds(f *testing.F, names ...string) {
	for _, name := range names {
		text := example(f, name)
		f.Add(text)
		f.Add(text[:len(text)/2])
		f.Add([]byte(strings.ReplaceAll(string(text), "\"", "")))
		f.Add([]byte(strings.ReplaceAll(string(text), "=", "= -")))
	}
}

func FuzzReadPad(f *testing.F) {
	seeds(f, "watch.toml", "guard.toml", "rehearse.toml")
	f.Fuzz(func(t *testing.T, text []byte) {
		p, faults := Read("pad.toml", text)
		checkOutcome(t, p != nil, faults)
		if p != nil {
			if err := usable(p); err != nil {
				t.Errorf("read without a fault, and yet: %v", err)
			}
		}
	})
}

func checkOutcome(t *testing.T, read bool, faults document.Faults) {
	t.Helper()
	if read == (len(faults) > 0) {
		t.Fatalf("read: %v, with %d faults", read, len(faults))
	}
	for i, f := range faults {
		if f.Line < 1 || f.Wrong == "" || strings.ContainsAny(f.Error(), "\n\r") {
			t.Errorf("a poor fault: %q", f.Error())
		}
		if i > 0 && f.Line < faults[i-1].Line {
			t.Errorf("faults out of order: %v", faults)
		}
	}
}

// The link's constant delay, the longest of all links, is in every reaction that the
// predicted apex counts on.
func TestLinkDelayIsInTheReaction(t *testing.T) {
	text := string(example(t, "guard.toml"))
	before := mustRead(t, []byte(text))
	slow := strings.Replace(text, "[[link]]\n", "[[link]]\ndelay = \"150 ms\"\n", 1) + "\n[[link]]\nname = \"spare\"\nkind = \"tcp\"\naddress = \"127.0.0.1:40124\"\ndelay = \"80 ms\"\n"
	p := mustRead(t, []byte(slow))
	g := rules.ThrustGone{Gone: 2 * time.Second}
	if got, want := p.Reaction(g), before.Reaction(g)+150*time.Millisecond; got != want {
		t.Errorf("the reaction is %v, want %v", got, want)
	}
	if got, want := p.Derived().Reaction, before.Derived().Reaction+150*time.Millisecond; got != want {
		t.Errorf("a replay counts on %v, want %v", got, want)
	}
}

// What is worked out of voltage and current rests on BATTERY_STATUS, or where the pad
// file says so on SYS_STATUS; the pack's own channels stay where they are.
func TestLoadFrom(t *testing.T) {
	one := bytes.Replace(example(t, "guard.toml"), []byte("count        = 2"), []byte("count        = 1"), 1)
	p := mustRead(t, one)
	if d := p.Derived(); d.PackVoltage != rules.Pack1Voltage || d.PackCurrent != rules.Pack1Current {
		t.Errorf("as it stands: %v and %v", d.PackVoltage, d.PackCurrent)
	}
	p = mustRead(t, bytes.Replace(one, []byte("cells        = 12"), []byte("cells = 12\nload_from = \"sys_status\""), 1))
	if d := p.Derived(); d.PackVoltage != rules.SupplyVoltage || d.PackCurrent != rules.SupplyCurrent || p.Intake().Fields.SupplyIsPack {
		t.Errorf("from SYS_STATUS: %v and %v", d.PackVoltage, d.PackCurrent)
	}
	if err := usable(p); err != nil {
		t.Error(err)
	}
}

// What was measured at full output is read whole, or refused with what is missing.
func TestFullOutput(t *testing.T) {
	table := "\n[full_output]\npull = \"2600 N\"\nresting = \"49.2 V\"\nvolts = \"44.1 V\"\ncurrent = \"180 A\"\n"
	p := mustRead(t, append(example(t, "guard.toml"), table...))
	if want := (derived.FullOutput{Pull: 2600, Resting: 49.2, Volts: 44.1, Amps: 180}); p.Derived().Full != want {
		t.Errorf("%+v", p.Derived().Full)
	}
	if err := usable(p); err != nil {
		t.Error(err)
	}
	for _, c := range []struct{ old, new, want string }{
		{"current = \"180 A\"\n", "", "full_output.current: missing"}, {"44.1 V", "49.2 V", "less under load than at rest"},
	} {
		_, faults := Read("pad.toml", append(example(t, "guard.toml"), strings.Replace(table, c.old, c.new, 1)...))
		if faults == nil || !strings.Contains(faults.Error(), c.want) {
			t.Errorf("%q: %v", c.new, faults)
		}
	}
}
