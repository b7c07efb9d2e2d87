package card

import (
	"strings"
	"testing"
)

// refusals change one place of the example card each: what is wrong is told
// with its line, its key, what was found and how to mend it, and nothing more.
var refusals = []struct{ old, new, want string }{
	{`version = 1`, ``, `card.toml:1: version: missing; write version = 1 at the top`},
	{`title   = "Water`, "units = \"feet\"\ntitle   = \"Water", `card.toml:2: units: must be "metric" or "imperial" (got "feet"); known here: metric, imperial`},
	{`name      = "Eight"`, ``, `card.toml:4: craft.name: missing; write the craft's name under [craft]`},
	{`mass      = "31 kg"`, ``, `card.toml:4: craft.mass: missing; write the mass ready to fly, without ballast: mass = "31 kg"`},
	{`mass      = "31 kg"`, `mass = "31 N"`, `card.toml:6: craft.mass: N is a unit of force, and this takes mass (got "31 N"); write a number and one of the units kg, g or lb`},
	{`structure = "22 kg"`, `structure = "32 kg"`, `card.toml:7: craft.structure: is more than the mass ready to fly (got "32 kg"); structure is a part of mass: all but the packs`},
	{`width     = "2.8 m"`, "width = \"2.8 m\"\nradius = \"1.4 m\"", `card.toml:8: craft.width: stands beside radius (got "2.8 m"); keep one of the two`},
	{`count  = 2`, ``, `card.toml:10: motors.count: missing; write how many motors there are under [motors]: count = 8`},
	{`count  = 2`, `count  = 8`, `card.toml:11: motors.count: there are not as many [[motor]] (got the number 8); write one [[motor]] for each, or none`},
	{`losses = "10 % to 15 %"`, `losses = "10 %"`, `card.toml:12: motors.losses: is no range (got "10 %"); write it as losses = "10 % to 15 %"`},
	{`losses = "10 % to 15 %"`, `losses = "15 % to 10 %"`, `card.toml:12: motors.losses: must rise from 0 % or more to less than 100 % (got "15 % to 10 %"); write it as losses = "10 % to 15 %"`},
	{`losses = "10 % to 15 %"`, `losses = "10 % to 15 N"`, `card.toml:12: motors.losses: N is a unit of force, and this takes share (got "15 N"); write a number and one of the units %`},
	{`losses = "10`, "thrust = \"150 N\"\nlosses = \"10", `card.toml:12: motors.thrust: is not what the rig gave: reading times lever is 200 N (got "150 N"); take thrust out, so that the measure counts, or mend reading and lever`},
	{`reading  = "80 N"`, ``, `card.toml:14: motors.rig.reading: missing; write what the scale showed: reading = "27 lbf"`},
	{`lever    = 2.5`, ``, `card.toml:14: motors.rig.lever: missing; write thrust over reading, 1 without a lever: lever = 2`},
	{`lever    = 2.5`, `lever = 0`, `card.toml:16: motors.rig.lever: must be more than 0 and at most 100 (got the number 0); write thrust over reading: the motor's thrust is reading times lever`},
	{`volts    = "48 V"`, ``, `card.toml:14: motors.rig.volts: missing; write the voltage at the motor while it ran: volts = "48 V"`},
	{`date     = "2026-05-16"`, `date = "last week"`, `card.toml:19: motors.rig.date: is no date (got "last week"); write year, month and day: date = "2026-05-16"`},
	{`number = 2`, `number = 1`, `card.toml:29: motor[2].number: two motors have this number (got the number 1); give each output once`},
	{`spin   = "ccw"`, `spin = "left"`, `card.toml:32: motor[2].spin: must be "cw" or "ccw" (got "left"); known here: cw, ccw`},
	{`cells    = 14`, ``, `card.toml:34: pack[1].cells: missing; write how many cells are in series: cells = 14`},
	{`at_least = "40 mm"`, ``, `card.toml:40: step[1].pass: missing: nobody could tell a good value from a bad one; write at_least = "40 mm", at_most = "2 mm", or pass = "what must be so"`},
	{`at_least = "40 mm"`, `at_least = 40`, `card.toml:43: step[1].at_least: takes text in quotes (got the number 40); write at_least = "…"`},
	{`at_least = "40 mm"`, `at_least = "forty"`, `card.toml:43: step[1].at_least: is no number with a unit that is known (got "forty"); write such as "40 mm", "12 N" or "2 deg"`},
	{`at_least = "40 mm"`, "at_least = \"40 mm\"\nat_most = \"50 mm\"", `card.toml:41: step[1].name: has more than one limit (got "blade clearance"); keep one of at_least, at_most and pass, and make two inspections of it`},
	{`lasts    = "1 d"`, ``, `card.toml:40: step[1].lasts: missing; write how long an inspection counts: lasts = "1 d", or how much time with power on: every = "2 h"`},
	{`lasts    = "1 d"`, `lasts = "0 s"`, `card.toml:44: step[1].lasts: must be more than 0 (got "0 s"); write how long the result counts: lasts = "1 d"`},
	{`how   = "one motor at a time"`, `ballast = "1 kg"`, `card.toml:55: step[3].ballast: only a step that flies lifts any (got "1 kg"); take it out`},
	{`how   = "one motor at a time"`, `at_least = "1 kg"`, `card.toml:55: step[3].at_least: a ground step is passed or not (got "1 kg"); take it out, or write kind = "inspection"`},
	{`how   = "one motor at a time"`, `motor = 1`, `card.toml:55: step[3].motor: only a step on the thrust stand has it (got the number 1); take it out, or write kind = "stand"`},
	{`kind  = "ground"`, `kind = "stand"`, `card.toml:52: step[3].motor: missing; write the output that the motor hangs on, from 1: motor = 1
card.toml:52: step[3].propeller: missing: nobody could tell the speed of its tips, or a wrong lever; write it from tip to tip: propeller = "15 in"
card.toml:52: step[3].max_speed: missing: a propeller bursts past its maker's speed; write what its maker states: max_speed = "9000 rpm"
card.toml:52: step[3].envelope: missing: a motor at full output on a stand has limits of its own; name the file: envelope = "stand.toml", and its envelope_sha256
card.toml:54: step[3].kind: a thrust stand has one motor, and the card's craft has not (got "stand"); give the stand a card and a pad file of its own, with count = 1 under [motors]`},
	{`how   = "one motor at a time"`, `measured_by = "eye"`, `card.toml:55: step[3].measured_by: must be "tilt" or "stop" (got "eye"); known here: tilt, stop`},
	{`at_least = "40 mm"`, "at_least = \"40 mm\"\nmeasured_by = \"tilt\"", `card.toml:44: step[1].measured_by: only a ground step is measured (got "tilt"); take it out, or write kind = "ground"`},
	{`how   = "one motor at a time"`, `tie_down_pull = "0 N"`, `card.toml:55: step[3].tie_down_pull: must be more than 0 (got "0 N"); write a force of more than 0`},
	{`how   = "one motor at a time"`, `tie_down_pull = "1001 kN"`, `card.toml:55: step[3].tie_down_pull: is more than any load cell here reads (got "1001 kN"); write the least that it reads while the craft stands tied down`},
	{`how   = "one motor at a time"`, `envelope = "ground.toml"`, `card.toml:52: step[3].envelope_sha256: missing: nobody could tell whether the file is still the one that was agreed; write the 64 digits that sha256sum prints for the file; check prints them too`},
	{`also    = ["keep-out empty"]`, `tie_down_pull = "10 N"`, `card.toml:62: step[4].tie_down_pull: only a ground step is tied down (got "10 N"); take it out, or write kind = "ground"`},
	{`at_least = "40 mm"`, "at_least = \"40 mm\"\nenvelope = \"g.toml\"", `card.toml:44: step[1].envelope: only a step that flies has it (got "g.toml"); take it out`},
	{`needs = ["Blade Clearance"]`, `needs = ["blade clearence"]`, `card.toml:56: step[3].needs: no step has this name (got "blade clearence"); did you mean "blade clearance"?`},
	{`ballast = "0 kg"`, ``, `card.toml:58: step[4].ballast: missing; write what is added to the craft, "0 kg" for none, or kind = "ground" or "inspection"`},
	{`ballast = "0 kg"`, `ballast = "-1 kg"`, `card.toml:60: step[4].ballast: is negative (got "-1 kg"); write 0 or more`},
	{`also    = ["keep-out empty"]`, `lasts = "1 d"`, `card.toml:62: step[4].lasts: what flew does not lapse (got "1 d"); take it out, or write kind = "inspection"`},
	{`also    = ["keep-out empty"]`, `pass = "it flew"`, `card.toml:62: step[4].pass: a flight has no value to type in (got "it flew"); take it out, or write kind = "inspection"`},
	{`packs   = ["a1"]`, `packs = ["A2"]`, `card.toml:64: step[4].packs: no [[pack]] has this name (got "A2"); add the pack, or take it out here`},
	{`name    = "empty hover"`, `name = "Fasteners"`, `card.toml:59: step[4].name: two steps have this name (got "Fasteners"); rename one; the other is on line 46
card.toml:73: step[6].needs: no step has this name (got "empty hover"); name an earlier step, add one with kind = "inspection", or write it under also = ["…"]`},
	{`needs    = ["empty hover"]`, `needs = ["ballast 10"]`, `card.toml:73: step[6].needs: a step cannot need itself or a later one (got "ballast 10"); name earlier steps`},
	{`needs    = ["empty hover"]`, `needs = [5]`, `card.toml:73: step[6].needs: entry 1 must be text in quotes (got the number 5); write needs = ["…", "…"]`},
	{`envelope = "heavy.toml"`, ``, `card.toml:78: step[6].envelope_sha256: there is no envelope beside it (got "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852…"); name the file: envelope = "…"`},
	{`envelope_sha256 = "e3`, `envelope_sha256 = "zz`, `card.toml:78: step[6].envelope_sha256: is no SHA-256 (got "zzb0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852…"); write the 64 digits that sha256sum prints for the file`},
	{`envelope_sha256 = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"`, ``,
		`card.toml:70: step[6].envelope_sha256: missing: nobody could tell whether the file is still the one that was agreed; write the 64 digits that sha256sum prints for the file; check prints them too`},
	{`ballast = "5 kg"`, `ballast = "0 kg"`, `card.toml:76: step[6].reserve: no report can tell it: a forecast needs hovers at two ballasts, and the card has not two before this step (got "20 %"); ask it of the third step that flies and later ones`},
	{`no_trips = true`, `no_trip = true`, `card.toml:75: step[6].no_trip: unknown key; did you mean "no_trips"?`},
}

func TestRefusals(t *testing.T) {
	for _, c := range refusals {
		text := string(example(t))
		if strings.Count(text, c.old) != 1 {
			t.Errorf("%q stands %d times", c.old, strings.Count(text, c.old))
			continue
		}
		_, faults := Read("card.toml", []byte(strings.Replace(text, c.old, c.new, 1)))
		if got := faults.Error(); got != c.want {
			t.Errorf("with %q\n got: %s\nwant: %s", c.new, got, c.want)
		}
	}
	// All at once, in the order of the file.
	_, faults := Read("card.toml", []byte("version = 1\n[craft]\nmass = \"0 kg\"\n[[step]]\nkind = \"walk\"\n"))
	if len(faults) != 4 {
		t.Errorf("%d faults:\n%v", len(faults), faults)
	}
}

// A kind that is misspelt is told, and nothing of the keys whose fit hangs on it, here
// or in later steps.
func TestKindMisspeltIsOneFault(t *testing.T) {
	const text = "version = 1\n[craft]\nname = \"c\"\nmass = \"9 kg\"\n[[step]]\nname = \"a\"\nkind = \"grund\"\nneeds = [\"x\"]\nmeasured_by = \"stop\"\ntie_down = \"9 N\"\nanchor = \"9 N\"\ntie_down_pull = \"1 N\"\nenvelope = \"g.toml\"\n" +
		"[[step]]\nname = \"one\"\nballast = \"0 kg\"\n[[step]]\nname = \"two\"\nkind = \"fligth\"\nballast = \"1 kg\"\noutput = \"80 %\"\n[[step]]\nname = \"three\"\nballast = \"2 kg\"\nreserve = \"20 %\"\n"
	_, faults := Read("card.toml", []byte(text))
	if len(faults) != 2 || faults[0].Key != "step[1].kind" || faults[1].Key != "step[3].kind" {
		t.Errorf("%d faults:\n%v", len(faults), faults)
	}
}

// A stop test that does not say what holds the craft, or says less than twice the
// full thrust of all motors, is refused; so is one without a known thrust or
// without limits of its own. The example's rig gives 200 N, of two motors.
func TestStopTestRefusals(t *testing.T) {
	const hash = "envelope = \"g.toml\"\nenvelope_sha256 = \"e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855\"\n"
	for _, c := range []struct{ keys, want string }{
		{"tie_down = \"800 N\"\nanchor = \"800 N\"\n" + hash, ""},
		{"tie_down = \"799 N\"\nanchor = \"800 N\"\n" + hash, "tie_down: is less than twice the full thrust of all motors (got \"799 N\"); the tie-down must hold 800 N or more"},
		{"tie_down = \"800 N\"\nanchor = \"1 N\"\n" + hash, "anchor: is less than twice the full thrust"},
		{"anchor = \"800 N\"\n" + hash, "tie_down: missing: the craft runs up to full thrust here"},
		{"tie_down = \"800 N\"\n" + hash, "anchor: missing"},
		{"tie_down = \"800 N\"\nanchor = \"800 N\"\n", "envelope: missing: a step on the ground has limits of its own"},
	} {
		text := strings.Replace(string(example(t)), "how   = \"one motor at a time\"", "measured_by = \"stop\"\n"+c.keys, 1)
		_, faults := Read("card.toml", []byte(text))
		got := faults.Error()
		if c.want == "" && len(faults) > 0 || !strings.Contains(got, c.want) || c.want != "" && len(faults) != 1 {
			t.Errorf("with %q\n got: %s\nwant: %s", c.keys, got, c.want)
		}
	}
	text := strings.Replace(string(example(t)), "packs   = [\"a1\"]", "packs = [\"a1\"]\noutput = \"101 %\"", 1)
	if _, faults := Read("card.toml", []byte(text)); len(faults) != 1 || !strings.Contains(faults.Error(), "output: is more than full output") {
		t.Errorf("more than full output: %v", faults)
	}
}
