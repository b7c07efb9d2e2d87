package rules

import (
	"crypto/sha256"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func example(t testing.TB, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func mustRead(t testing.TB, text string) *Envelope {
	t.Helper()
	e, faults := ReadEnvelope("day.toml", []byte(text))
	if faults != nil {
		t.Fatalf("refused:\n%v", faults)
	}
	return e
}

func TestEnvelopeSaysEverything(t *testing.T) {
	text := example(t, "meadow.toml")
	e := mustRead(t, text)
	if e.Title != "North Field: tethered hover, water ballast" || e.Changed != "gust limit down after Tuesday" || e.Units != "metric" || e.Version != 1 {
		t.Errorf("the top is wrong: %+v", e)
	}
	if e.Tether != (Tether{BreakingStrength: 22000, DesignFactor: 10, Length: 9, Slow: Stretch{0.12, 5000}}) {
		t.Errorf("the tether is wrong: %+v", e.Tether)
	}
	if e.Hash != sha256.Sum256([]byte(text)) {
		t.Error("the hash is not that of the bytes")
	}
	if len(e.Rules) != 4 || len(e.Permissives) != 1 {
		t.Fatalf("%d rules and %d permissives", len(e.Rules), len(e.Permissives))
	}
	if r := e.Rules[0]; r != (Rule{Name: "tether overload", Watch: Tension, Form: Above, Limit: 1800, HasCaution: true, Caution: 1400, Unit: "N",
		Lasting: 40 * time.Millisecond, Deadband: 36, StaleAfter: 50 * time.Millisecond, Stop: Immediate, MissingStop: Immediate, Line: 12}) {
		t.Errorf("the overload is wrong: %+v", r)
	}
	if r := e.Rules[3]; r.Limit != 8.9408 || r.Caution != 6.25856 || r.Unit != "mph" || r.Grace != 12*time.Second || r.MissingStop != Controlled || r.MissingGrace != 6*time.Second {
		t.Errorf("the gust is wrong: %+v", r)
	}
}

func TestDefaultsOfARule(t *testing.T) {
	e := mustRead(t, example(t, "small.toml"))
	if d := e.Rules[0].Deadband; d != 0.02*7 {
		t.Errorf("above: 2 %% of the limit is %v", d)
	}
	// The default never reaches past the caution.
	narrow := mustRead(t, strings.Replace(example(t, "small.toml"), `caution    = "22 V"`, `caution = "21.125 V"`, 1))
	if d := narrow.Rules[1].Deadband; d != 0.125 {
		t.Errorf("the deadband is %v beside a caution 0.125 V away", d)
	}
	if r := e.Rules[4]; r.Deadband != 0 || r.While != Airborne || r.Limit != 4 || r.Unit != "" {
		t.Errorf("a plain number: %+v", r)
	}
	if r := e.Rules[3]; r.Over != 100*time.Millisecond || r.Limit != 5000 || r.Deadband != 100 {
		t.Errorf("a rate: %+v", r)
	}
	slow := mustRead(t, strings.Replace(example(t, "small.toml"), "over          = \"100 ms\"\n", "", 1))
	// Ten periods of 13 ms are less than 500 ms.
	if r := slow.Rules[3]; r.Over != 500*time.Millisecond {
		t.Errorf("the slope is over %v", r.Over)
	}
	attitude := mustRead(t, strings.Replace(example(t, "small.toml"), "craft.yaw", "craft.roll", 1))
	if r := attitude.Rules[2]; r.FrozenAfter != 25 || r.StaleAfter != 200*time.Millisecond {
		t.Errorf("the channel's own defaults: %+v", r)
	}
	if p := e.Permissives[0]; p.Name != "wind.peak10min" || p.StaleAfter != 3*time.Second || e.Permissives[1].Name != "charged" {
		t.Errorf("the permissives: %+v", e.Permissives)
	}
}

// Promise 3: a missing channel trips with the rule's own stop, immediate for
// height, climb, attitude, tension and link, controlled with half the grace
// otherwise.
func TestPromise03_StopOfAMissingChannel(t *testing.T) {
	for _, c := range []struct {
		watch ChannelID
		when  WhenMissing
		stop  Stop
		want  Stop
		grace time.Duration
	}{
		{Height, MissingTrips, Controlled, Immediate, 0}, {HeightRange, MissingTrips, Controlled, Immediate, 0},
		{Climb, MissingTrips, Controlled, Immediate, 0}, {Apex, MissingTrips, Immediate, Immediate, 0},
		{Tilt, MissingTrips, Controlled, Immediate, 0}, {RollRate, MissingTrips, Controlled, Immediate, 0},
		{Tension, MissingTrips, Controlled, Immediate, 0}, {TensionRate, MissingTrips, Controlled, Immediate, 0},
		{LinkAge, MissingTrips, Controlled, Immediate, 0}, {LinkLag, MissingTrips, Controlled, Immediate, 0}, {LinkLoss, MissingTrips, Controlled, Immediate, 0},
		{Pack1LowestCell, MissingTrips, Controlled, Controlled, 10 * time.Second}, {Gust, MissingTrips, Controlled, Controlled, 10 * time.Second},
		{Pack1LowestCell, MissingTrips, Immediate, Immediate, 0},
		{Height, MissingTrips, NoStop, NoStop, 0}, {Height, MissingCautions, Controlled, NoStop, 0}, {Gust, MissingCautions, Controlled, NoStop, 0},
	} {
		if got, grace := missingStop(c.watch, c.when, c.stop, 20*time.Second); got != c.want || grace != c.grace {
			t.Errorf("%v, stop %d: missing gives %d with %v", c.watch, c.stop, got, grace)
		}
	}
}

func TestFormatDuration(t *testing.T) {
	for want, d := range map[string]time.Duration{
		"40 ms": 40 * time.Millisecond, "1.5 s": 1500 * time.Millisecond, "2 min": 2 * time.Minute, "30 d": 720 * time.Hour, "90 s": 90 * time.Second, "0 s": 0,
		"1.001 s": 1001 * time.Millisecond, "100 us": 100 * time.Microsecond, "-1.5 s": -1500 * time.Millisecond, "0.001 us": 1, "-0.5 us": -500,
		"2.000000001 s": 2*time.Second + 1,
	} {
		if got := FormatDuration(d); got != want {
			t.Errorf("%v is %q, want %q", d, got, want)
		}
	}
}

func TestCheckFed(t *testing.T) {
	e := mustRead(t, example(t, "small.toml"))
	fed := func(id ChannelID) Origin {
		switch id {
		case Tension:
			return OwnSensor
		case Apex, Pack1Voltage, Yaw, CraftStatus, CraftLanded, Peak10, SupplyLeft:
			return CraftSays
		}
		return NotFed
	}
	if faults := e.CheckFed("day.toml", fed); faults != nil {
		t.Errorf("refused: %v", faults)
	}
	lacking := func(id ChannelID) Origin {
		if id == Tension || id == Peak10 {
			return NotFed
		}
		if id == CraftWind {
			return CraftSays
		}
		return fed(id)
	}
	want := `day.toml:25: rule[4].watch: nothing on this pad feeds the channel (got "tether.tension"); name its source in the pad file, or write "tether.tension" = "why the pad has none" under [without]
day.toml:46: permissive[1].watch: nothing on this pad feeds the channel (got "wind.peak10min"); name its source in the pad file, or write "wind.peak10min" = "why the pad has none" under [without]
day.toml:56: without."craft.wind": the pad does feed this channel (got what the craft says of itself); take the line out`
	if got := e.CheckFed("day.toml", lacking).Error(); got != want {
		t.Errorf("got:\n%s\nwant:\n%s", got, want)
	}
	excused := mustRead(t, example(t, "small.toml")+"\"tether.tension\" = \"no load cell\"\n\"wind.peak10min\" = \"a hand-held one\"\n")
	if faults := excused.CheckFed("day.toml", func(id ChannelID) Origin {
		if id == CraftWind {
			return NotFed
		}
		return lacking(id)
	}); faults != nil {
		t.Errorf("refused with a reason: %v", faults)
	}
	if len(e.CheckFed("day.toml", nil)) != 8 {
		t.Error("a pad that feeds nothing was taken")
	}
}

// Promise 9: every fault at once, in the order of the file.
//
//fault:row any of the three files is damaged | refused whole, every fault with its line
func TestPromise09_EveryFaultAtOnce(t *testing.T) {
	text := `title = "no version"
units = "imprial"
[tether]
length = "9 N"
lenght = "9 m"
[[rule]]
name = "overload"
watch = "tether.tensoin"
above = 1800 N
cation = "1400 N"
stop = "immediate"
[[rule]]
name = "ceiling"
watch = "craft.apex"
above = "7"
stop = "imediate"
[without]
"craft.wind" = ""
`
	want := `day.toml:2: units: must be "metric" or "imperial" (got "imprial"); did you mean "imperial"?
day.toml:4: tether.length: N is a unit of force, and this takes length (got "9 N"); write a number and one of the units m, cm, mm, ft or in
day.toml:5: tether.lenght: unknown key; did you mean "length"?
day.toml:8: rule[1].watch: no such channel (got "tether.tensoin"); did you mean "tether.tension"?
day.toml:9: above: not TOML: MESSAGE (got "above = 1800 N"); write a quantity in quotes: above = "1800 N"
day.toml:10: rule[1].cation: unknown key; did you mean "caution"?
day.toml:15: rule[2].above: has no unit (got "7"); write a number and one of the units m, cm, mm, ft or in
day.toml:16: rule[2].stop: must be "immediate", "controlled" or "none" (got "imediate"); did you mean "immediate"?
day.toml:18: without."craft.wind": is empty (got ""); write a few words, or leave the key out`
	e, faults := ReadEnvelope("day.toml", []byte(text))
	if e != nil {
		t.Error("a faulty file gave an envelope")
	}
	got := strings.Split(faults.Error(), "\n")
	for i, line := range strings.Split(want, "\n") {
		before, after, syntax := strings.Cut(line, "MESSAGE")
		if i >= len(got) || !syntax && got[i] != line || syntax && (!strings.HasPrefix(got[i], before) || !strings.HasSuffix(got[i], after)) {
			t.Fatalf("line %d\n got: %s\nwant: %s", i+1, strings.Join(got, "\n      "), line)
		}
	}
	if len(got) != 9 {
		t.Errorf("%d faults:\n%s", len(got), strings.Join(got, "\n"))
	}
}

func FuzzReadEnvelope(f *testing.F) {
	for _, name := range []string{"meadow.toml", "small.toml"} {
		text := example(f, name)
		f.Add([]byte(text))
		f.Add([]byte(text[:len(text)/2]))
		f.Add([]byte(strings.ReplaceAll(text, `"`, "")))
		f.Add([]byte(strings.ReplaceAll(text, "above", "below")))
		f.Add([]byte(strings.ReplaceAll(text, "[[rule]]", "[rule]")))
		f.Add([]byte(strings.ReplaceAll(text, "=", "= [")))
	}
	for _, c := range refusals {
		f.Add([]byte(strings.Replace(example(f, c.file), c.old, c.new, 1)))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		e, faults := ReadEnvelope("day.toml", text)
		if (e == nil) != (len(faults) > 0) {
			t.Fatalf("envelope: %v, with %d faults", e != nil, len(faults))
		}
		for i, fault := range faults {
			if fault.Line < 1 || fault.Wrong == "" || strings.ContainsAny(fault.Error(), "\n\r") {
				t.Errorf("a poor fault: %q", fault.Error())
			}
			if i > 0 && fault.Line < faults[i-1].Line {
				t.Errorf("faults out of order:\n%v", faults)
			}
		}
		if e != nil {
			checkEnvelope(t, e)
		}
	})
}

// cautions is the rule's cautions as values of its channel or rate.
func cautions(r *Rule) []float64 {
	switch {
	case !r.HasCaution:
		return nil
	case r.Form == FallingFaster:
		return []float64{-r.Caution}
	case r.Form == Outside:
		return []float64{r.Caution, r.CautionHigh}
	}
	return []float64{r.Caution}
}

// Random rules on every channel: each is refused, or is fit for the engine.
func TestRandomRulesAreRefusedOrSound(t *testing.T) {
	accepted := 0
	rapid.Check(t, func(t *rapid.T) {
		c := ChannelID(rapid.IntRange(1, int(ChannelCount)-1).Draw(t, "channel")).Channel()
		form := rapid.SampledFrom(ruleForms).Draw(t, "form")
		kind := c.Kind
		if form.form == RisingFaster || form.form == FallingFaster {
			kind = kind.Rate()
		}
		value := func(label string) string {
			v := c.Low + rapid.Float64Range(-0.05, 1.05).Draw(t, label)*min(c.High-c.Low, 1e4)
			switch units := kind.Units(); {
			case kind == Flag:
				return strconv.FormatBool(v > 0.5)
			case len(units) == 0:
				return strconv.FormatFloat(v, 'f', 3, 64)
			default:
				shown, _ := Convert(v, units[len(units)-1])
				return strconv.Quote(strconv.FormatFloat(shown, 'g', 6, 64) + " " + units[len(units)-1])
			}
		}
		limit := func(label string) string {
			if form.form == Outside {
				return "[" + value(label+" low") + ", " + value(label+" high") + "]"
			}
			return value(label)
		}
		text := fmt.Sprintf("version = 1\n[[rule]]\nname = \"x\"\nwatch = %q\n%s = %s\n", c.Name, form.key, limit("limit"))
		if rapid.Bool().Draw(t, "with caution") {
			text += "caution = " + limit("caution") + "\n"
		}
		if rapid.Bool().Draw(t, "with deadband") {
			text += "deadband = " + value("deadband") + "\n"
		}
		text += rapid.SampledFrom([]string{"stop = \"immediate\"\n", "stop = \"none\"\n", "stop = \"controlled\"\ngrace = \"7 s\"\n",
			"stop = \"controlled\"\ngrace = \"7 s\"\nwhen_missing = \"caution\"\n"}).Draw(t, "stop")
		e, faults := ReadEnvelope("x.toml", []byte(text))
		if (e == nil) != (len(faults) > 0) {
			t.Fatalf("%s: %v, %v", text, e, faults)
		}
		if e != nil {
			accepted++
			checkEnvelope(t, e)
		}
	})
	if accepted == 0 && !testing.Short() { // the few draws of a short run may all be refused
		t.Error("not one was accepted: nothing was checked")
	}
}

// checkEnvelope holds what every envelope that was read promises to the engine.
func checkEnvelope(t rapid.TB, e *Envelope) {
	t.Helper()
	for i := range e.Rules {
		r := &e.Rules[i]
		c := r.Watch.Channel()
		if c.Name == "" || r.Name == "" || r.Form < Above || r.Form > IsNot || r.StaleAfter < c.Period || r.Lasting < 0 || r.Deadband < 0 ||
			(r.Stop == Controlled) != (r.Grace > 0) || r.WhenMissing == MissingCautions && r.Stop == Immediate {
			t.Errorf("a rule that the engine may not get: %+v", r)
		}
		if r.Stop != NoStop && r.WhenMissing == MissingTrips && r.MissingStop == NoStop {
			t.Errorf("a missing channel would not stop: %+v", r)
		}
		for _, v := range cautions(r) {
			// A unit's rounding may lie between the two.
			if r.Side(v) == Beyond || r.Headroom(v) < r.Deadband-1e-9*(1+math.Abs(r.Limit)) {
				t.Errorf("the deadband reaches past the caution: %+v", r)
			}
		}
		if rate := r.Form == RisingFaster || r.Form == FallingFaster; rate != (r.Over > 0) {
			t.Errorf("over does not fit the form: %+v", r)
		}
		if s := Aloud(r); strings.Contains(s, "no value") {
			t.Errorf("the sentence reads %q", s)
		}
	}
	for i := range e.Permissives {
		if p := &e.Permissives[i]; p.Name == "" || p.Watch.Channel().Name == "" || p.StaleAfter <= 0 || p.Condition() == "" {
			t.Errorf("a permissive that the engine may not get: %+v", p)
		}
	}
	_ = e.CheckFed("day.toml", func(ChannelID) Origin { return NotFed })
}

func TestFaultsIsAnError(t *testing.T) {
	var none Faults
	if none.Err() != nil {
		t.Error("no faults are an error")
	}
	if err := (Faults{{File: "a.toml", Line: 2, Key: "x", Wrong: "is wrong", Got: "5", Mend: "mend it"}}).Err(); err == nil || err.Error() != "a.toml:2: x: is wrong (got 5); mend it" {
		t.Errorf("the error reads %v", err)
	}
}
