package rules

import (
	"fmt"
	"math"
	"math/big"
	"strconv"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/physic"
	"pgregory.net/rapid"
)

func parse(t testing.TB, text string, want Kind) float64 {
	t.Helper()
	q, err := ParseQuantity(text, want)
	if err != nil {
		t.Fatalf("%q: %v", text, err)
	}
	return q.SI
}

func TestPublishedFactors(t *testing.T) {
	for _, c := range []struct {
		text   string
		kind   Kind
		want   float64
		within float64 // 0: to the last bit
		source string
	}{
		{"1 lbf", Force, 4.4482216152605, 0, "exact; encyclopedia.kids.net.au, Pound-force"},
		{"25 lbf", Force, 111.20554, 5e-6, "unitconvertapp.net, pound-force to newton"},
		{"85 lbf", Force, 378.098837, 5e-7, "unitconvertapp.net, pound-force to newton"},
		{"120 lbf", Force, 533.786594, 5e-7, "unitconvertapp.net, pound-force to newton"},
		{"1 kgf", Force, 9.80665, 0, "exact; book EB9781118753651, table 27"},
		{"550 lbf", Force, 2446.52, 5e-3, "worked from the exact factor"},
		{"1 ft", Length, 0.3048, 0, "exact; Engineering Statics, conversion factors (wikibooks)"},
		{"1 in", Length, 0.0254, 0, "exact; Engineering Statics, conversion factors (wikibooks)"},
		{"1 mph", Speed, 0.44704, 0, "exact; Engineering Statics, conversion factors (wikibooks)"},
		{"1 kt", Speed, 0.514444, 5e-7, "1852 m an hour; KNMI Handboek waarnemen, chapter 5"},
		{"1 ft/s", Speed, 0.3048, 0, "from the foot"},
		{"3.6 km/h", Speed, 1, 0, "3600 s an hour"},
		{"1 psi", Pressure, 6894.757, 5e-4, "brassmein.com, tech003"},
		{"1 lb", Mass, 0.45359237, 0, "exact; from memory (0.453 592 at navalfacilities.tpub.com)"},
		{"32 °F", Temperature, 0, 0, "(F - 32) 5/9; millionaire-lane.com, density altitude"},
		{"212 °F", Temperature, 100, 0, "(F - 32) 5/9; millionaire-lane.com, density altitude"},
		{"-40 °F", Temperature, -40, 0, "the two scales meet there: from memory"},
		{"-40 °C", Temperature, -40, 0, "SI"},
		{"180 deg", Angle, math.Pi, 0, "half a turn"},
		{"360 °/s", AngularRate, 2 * math.Pi, 0, "a turn"},
		{"60 rpm", Frequency, 1, 0, "a minute has 60 s"},
		{"1 Ah", Charge, 3600, 0, "an hour has 3600 s"},
		{"2200 mAh", Charge, 7920, 0, "an hour has 3600 s"},
		{"1 Wh", Energy, 3600, 0, "an hour has 3600 s"},
		{"1.5 kN", Force, 1500, 0, "SI"}, {"12 cm", Length, 0.12, 0, "SI"}, {"3 mm", Length, 0.003, 0, "SI"},
		{"3450 mV", Voltage, 3.45, 0, "SI"}, {"250 mA", Current, 0.25, 0, "SI"}, {"12 %", Ratio, 0.12, 0, "SI"},
		{"40 ms", Duration, 0.04, 0, "SI"}, {"1.5 min", Duration, 90, 0, "SI"}, {"1100 \u00b5s", Duration, 0.0011, 0, "SI"},
		{"1013.25 hPa", Pressure, 101325, 0, "ISA: crnslab.org/util/atmo.php"}, {"2 kW", Power, 2000, 0, "SI"},
		{"39 mohm", Resistance, 0.039, 0, "SI"}, {"39 m\u2126", Resistance, 0.039, 0, "SI"}, {"1 \u03a9", Resistance, 1, 0, "SI"},
		{"9.80665 m/s2", Acceleration, 9.80665, 0, "SI"}, {"1 m/s²", Acceleration, 1, 0, "SI"}, {"250 g", Mass, 0.25, 0, "SI"},
		{"1 kN/s", Force.Rate(), 1000, 0, "SI"}, {"60 lbf/min", Force.Rate(), 4.4482216152605, 0, "from the pound-force"},
		{"6 V/min", Voltage.Rate(), 0.1, 0, "SI"}, {"50 %/s", Ratio.Rate(), 0.5, 0, "SI"}, {"9 °F/s", Temperature.Rate(), 5, 0, "no zero in a rate"},
		{"600 ft/min", Length.Rate(), 3.048, 0, "from the foot"}, {"20 mph", Length.Rate(), 8.9408, 0, "from the mile"},
		{"10 mph/s", Speed.Rate(), 4.4704, 0, "from the mile"}, {"90 deg/s", Angle.Rate(), math.Pi / 2, 0, "a quarter turn"},
		{"5 /s", Number.Rate(), 5, 0, "a count"}, {"6000 rpm/s", Frequency.Rate(), 100, 0, "60 s a minute"},
	} {
		got := parse(t, c.text, c.kind)
		if math.Abs(got-c.want) > c.within {
			t.Errorf("%s is %v, published %v (%s)", c.text, got, c.want, c.source)
		}
	}
}

// One rounding: the value is the float64 nearest to the exact one. Two
// roundings (of number and factor, then of the product) miss some of these.
func TestOneRounding(t *testing.T) {
	twoDiffer := 0
	for i := 1; i <= 2000; i++ {
		text := strconv.Itoa(i) + "." + fmt.Sprintf("%03d", i*7%1000)
		got := parse(t, text+" lbf", Force)
		digits, _ := strconv.ParseInt(strings.ReplaceAll(text, ".", ""), 10, 64)
		want := exactDecimal(t, digits, 44482216152605, 16)
		if got != want {
			t.Fatalf("%s lbf is %v, nearest %v", text, got, want)
		}
		x, _ := strconv.ParseFloat(text, 64)
		if float64(x*4.4482216152605) != want {
			twoDiffer++
		}
	}
	if twoDiffer == 0 {
		t.Error("the check could not fail: two roundings gave the same everywhere")
	}
}

// exactDecimal is a·b/10^places to the nearest float64: the product in whole
// numbers, its one rounding by strconv.
func exactDecimal(t *testing.T, a, b int64, places int) float64 {
	t.Helper()
	product := new(big.Int).Mul(big.NewInt(a), big.NewInt(b))
	v, err := strconv.ParseFloat(product.String()+"e-"+strconv.Itoa(places), 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// A second opinion: periph's physic parses the same units by a way of its own,
// in fixed point.
func TestAgainstPhysic(t *testing.T) {
	for _, number := range []string{"1", "0.5", "12.25", "140", "1999.75"} {
		for _, c := range []struct {
			ours, theirs string
			kind         Kind
			parse        func(text string) (float64, error)
			coarse       float64 // how far its own constants are off, by share
		}{
			{"N", "N", Force, func(s string) (float64, error) {
				var v physic.Force
				err := v.Set(s)
				return float64(v) / float64(physic.Newton), err
			}, 0},
			{"lbf", "lbf", Force, func(s string) (float64, error) {
				var v physic.Force
				err := v.Set(s)
				return float64(v) / float64(physic.Newton), err
			}, 1e-9},
			{"ft", "ft", Length, func(s string) (float64, error) {
				var v physic.Distance
				err := v.Set(s)
				return float64(v) / float64(physic.Metre), err
			}, 0},
			{"in", "in", Length, func(s string) (float64, error) {
				var v physic.Distance
				err := v.Set(s)
				return float64(v) / float64(physic.Metre), err
			}, 0},
			{"mph", "mph", Speed, func(s string) (float64, error) {
				var v physic.Speed
				err := v.Set(s)
				return float64(v) / float64(physic.MetrePerSecond), err
			}, 0},
			{"km/h", "kph", Speed, func(s string) (float64, error) {
				var v physic.Speed
				err := v.Set(s)
				return float64(v) / float64(physic.MetrePerSecond), err
			}, 1e-8},
			{"lb", "lb", Mass, func(s string) (float64, error) {
				var v physic.Mass
				err := v.Set(s)
				return float64(v) / float64(physic.KiloGram), err
			}, 1e-8},
			{"deg", "deg", Angle, func(s string) (float64, error) {
				var v physic.Angle
				err := v.Set(s)
				return float64(v) / float64(physic.Radian), err
			}, 1e-7},
			{"mV", "mV", Voltage, func(s string) (float64, error) {
				var v physic.ElectricPotential
				err := v.Set(s)
				return float64(v) / float64(physic.Volt), err
			}, 0},
			{"mA", "mA", Current, func(s string) (float64, error) {
				var v physic.ElectricCurrent
				err := v.Set(s)
				return float64(v) / float64(physic.Ampere), err
			}, 0},
			{"kW", "kW", Power, func(s string) (float64, error) {
				var v physic.Power
				err := v.Set(s)
				return float64(v) / float64(physic.Watt), err
			}, 0},
			{"mohm", "mOhm", Resistance, func(s string) (float64, error) {
				var v physic.ElectricResistance
				err := v.Set(s)
				return float64(v) / float64(physic.Ohm), err
			}, 0},
			{"hPa", "hPa", Pressure, func(s string) (float64, error) {
				var v physic.Pressure
				err := v.Set(strings.Replace(s, "hPa", "Pa", 1))
				return 100 * float64(v) / float64(physic.Pascal), err
			}, 0},
			{"°F", "F", Temperature, func(s string) (float64, error) {
				var v physic.Temperature
				err := v.Set(s)
				return float64(v-physic.ZeroCelsius) / float64(physic.Kelvin), err
			}, 0},
		} {
			theirs, err := c.parse(number + c.theirs)
			if err != nil {
				t.Fatalf("physic, %s%s: %v", number, c.theirs, err)
			}
			ours := parse(t, number+" "+c.ours, c.kind)
			// One count of its fixed point is 1e-9 of the unit.
			if math.Abs(ours-theirs) > 2e-8+c.coarse*math.Abs(ours) {
				t.Errorf("%s %s is %v here and %v there", number, c.ours, ours, theirs)
			}
		}
	}
}

func TestRefusedQuantities(t *testing.T) {
	for _, c := range []struct {
		text string
		kind Kind
		want string
	}{
		{"", Force, `is empty (got ""); write a number and one of the units N, kN, kgf or lbf`},
		{"   ", Force, `is empty (got "   "); write a number and one of the units N, kN, kgf or lbf`},
		{"1800", Force, `has no unit (got "1800"); write a number and one of the units N, kN, kgf or lbf`},
		{"20 mph", Force, `mph is a unit of speed, and this takes force (got "20 mph"); write a number and one of the units N, kN, kgf or lbf`},
		{"20 N", Force.Rate(), `N is a unit of force, and this takes force per time (got "20 N"); write a number and one of the units N/s, kN/s, kgf/s or lbf/s`},
		{"5 parsec", Length, `has an unknown unit, "parsec" (got "5 parsec"); write a number and one of the units m, cm, mm, ft or in`},
		{"1,800 N", Force, `has something inside its number (got "1,800 N"); write decimals behind a point and thousands without a mark, such as "3.45 V" or "22000 N"`},
		{"3,45 V", Voltage, `has something inside its number (got "3,45 V"); write decimals behind a point and thousands without a mark, such as "3.45 V" or "22000 N"`},
		{"22 000 N", Force, `has something inside its number (got "22 000 N"); write decimals behind a point and thousands without a mark, such as "3.45 V" or "22000 N"`},
		{"\u22125 N", Force, "does not begin with a number (got \"\u22125 N\"); write the minus as - (this one is a sign of typography)"},
		{"2200 lb", Force, `lb is a unit of mass, and this takes force (got "2200 lb"); write a number and one of the units N, kN, kgf or lbf; did you mean "2200 lbf"?`},
		{"70 kgf", Mass, `kgf is a unit of force, and this takes mass (got "70 kgf"); write a number and one of the units kg, g or lb; did you mean "70 kg"?`},
		{"NaN N", Force, `does not begin with a number (got "NaN N"); write a number and one of the units N, kN, kgf or lbf`},
		{"Inf N", Force, `does not begin with a number (got "Inf N"); write a number and one of the units N, kN, kgf or lbf`},
		{"N", Force, `does not begin with a number (got "N"); write a number and one of the units N, kN, kgf or lbf`},
		{"1e400 kN", Force, `is too large a number (got "1e400 kN"); check the exponent`},
		{"1e-400 N", Force, `is too small a number (got "1e-400 N"); check the exponent`},
		{"1e999999999 N", Force, `has an exponent past ±400 (got "1e999999999 N"); check the exponent`},
		{"1/3 N", Force, `has an unknown unit, "/3 N" (got "1/3 N"); write a number and one of the units N, kN, kgf or lbf`},
		{"0x10 N", Force, `has an unknown unit, "x10 N" (got "0x10 N"); write a number and one of the units N, kN, kgf or lbf`},
		{"0.8 1", Ratio, `has something inside its number (got "0.8 1"); write decimals behind a point and thousands without a mark, such as "3.45 V" or "22000 N"`},
		{"5 V", Number, `takes a plain number, without a unit (got "5 V"); write 5`},
		{"yes", Flag, `takes true or false (got "yes"); write true or false`},
		{"5 V", 0, `nothing fits here (got "5 V"); take it out`},
		{"5 s/s/s", Duration, `has an unknown unit, "s/s/s" (got "5 s/s/s"); write a number and one of the units s, ms, us, min, h or d`},
	} {
		q, err := ParseQuantity(c.text, c.kind)
		if err == nil || err.Error() != c.want {
			t.Errorf("%q as %v:\n got: %v (%v)\nwant: %s", c.text, c.kind, err, q, c.want)
		}
	}
	long := strings.Repeat("9", 65) + " N"
	if _, err := ParseQuantity(long, Force); err == nil {
		t.Error("a number of 65 digits was read")
	}
}

func TestDifferencesHaveNoZero(t *testing.T) {
	q, err := ParseDifference("9 °F", Temperature)
	if err != nil || q.SI != 5 {
		t.Errorf("a difference of 9 °F is %v °C (%v)", q.SI, err)
	}
	if got := FormatDifference(5, "°F"); got != "9 °F" {
		t.Errorf("a difference of 5 °C is %q", got)
	}
	if got := Format(5, "°F"); got != "41 °F" {
		t.Errorf("5 °C is %q", got)
	}
}

func TestZeroHasNoSign(t *testing.T) {
	for _, text := range []string{"-0 N", "-0.0 N", "0 N", "-0e5 N"} {
		if v := parse(t, text, Force); v != 0 || math.Signbit(v) {
			t.Errorf("%q is %v", text, v)
		}
	}
	if v, _ := Convert(math.Copysign(0, -1), "kN"); math.Signbit(v) {
		t.Error("a conversion gave minus zero")
	}
}

func TestPlainNumbersAndFlags(t *testing.T) {
	if parse(t, "5", Number) != 5 || parse(t, "true", Flag) != 1 || parse(t, "false", Flag) != 0 {
		t.Error("plain numbers or flags are read wrongly")
	}
}

func TestParseDuration(t *testing.T) {
	for text, want := range map[string]time.Duration{
		"40 ms": 40 * time.Millisecond, "1.5 s": 1500 * time.Millisecond, "2 min": 2 * time.Minute, "0.5 h": 30 * time.Minute, "30 d": 720 * time.Hour,
		"1100 us": 1100 * time.Microsecond, "0 s": 0, "0.1 s": 100 * time.Millisecond, "-1 s": -time.Second,
		"0.0000000005 s": 1, "0.0000000004 s": 0, "9223372036 s": 9223372036 * time.Second,
	} {
		if got, err := ParseDuration(text); err != nil || got != want {
			t.Errorf("%q is %v (%v), want %v", text, got, err, want)
		}
	}
	for _, text := range []string{"9223372037 s", "1e30 min", "5", "5 N", ""} {
		if got, err := ParseDuration(text); err == nil {
			t.Errorf("%q was read as %v", text, got)
		}
	}
}

func TestFormat(t *testing.T) {
	for _, c := range []struct {
		si         float64
		unit, want string
	}{
		{1800, "N", "1800 N"}, {14 * 0.44704, "mph", "14 mph"}, {3.45, "V", "3.45 V"}, {12345.6, "N", "12346 N"},
		{0.12, "%", "12 %"}, {0.039, "mohm", "39 mohm"}, {0.000123456, "A", "0.0001235 A"}, {-2.5, "m", "-2.5 m"},
		{9.99996, "m", "10 m"}, {0, "N", "0 N"}, {0.00001, "kN", "1e-08 kN"}, {2e12, "N", "2e+12 N"}, {5, "", "5"},
		{0.8, "1", "0.8 1"}, {math.NaN(), "N", "no value"}, {math.Inf(1), "N", "no value"}, {5, "parsec", "5"}, {7, "/s", "7 /s"},
	} {
		if got := Format(c.si, c.unit); got != c.want {
			t.Errorf("%v in %q is %q, want %q", c.si, c.unit, got, c.want)
		}
	}
	if got := FormatExact(3.45678, "V"); got != "3.45678 V" {
		t.Errorf("a limit reads %q", got)
	}
}

func TestEveryKindHasItsUnits(t *testing.T) {
	for k := Flag; k < kindCount; k++ {
		for _, kind := range []Kind{k, k.Rate()} {
			if kind == 0 {
				continue
			}
			if strings.Contains(kind.String(), "unknown") {
				t.Errorf("kind %d has no name", kind)
			}
			if kind == Flag || kind == Number {
				if SIUnit(kind) != "" || DefaultUnit(kind, "metric") != "" || kind.Units() != nil {
					t.Errorf("%v has a unit", kind)
				}
				continue
			}
			// The SI unit must mean 1, and every unit must be read back.
			if v, ok := Convert(7, SIUnit(kind)); !ok || v != 7 {
				t.Errorf("%v: 7 is %v %s", kind, v, SIUnit(kind))
			}
			for _, u := range append(kind.Units(), DefaultUnit(kind, "metric"), DefaultUnit(kind, "imperial")) {
				if q, err := ParseQuantity("1 "+u, kind); err != nil || q.Unit != u || q.Kind != kind {
					t.Errorf("%v: 1 %s: %v %+v", kind, u, err, q)
				}
			}
		}
	}
	if SIUnit(Ratio) != "1" || SIUnit(Force) != "N" || SIUnit(Temperature) != "°C" || SIUnit(Resistance) != "ohm" || SIUnit(Force.Rate()) != "N/s" {
		t.Error("an SI unit is not what JSON says")
	}
	if DefaultUnit(Speed, "imperial") != "mph" || DefaultUnit(Speed, "metric") != "m/s" || DefaultUnit(Voltage, "imperial") != "V" {
		t.Error("a default unit is wrong")
	}
}

func TestNoSpellingTwice(t *testing.T) {
	seen := map[string]bool{}
	for _, u := range units {
		for _, s := range append([]string{u.text}, u.aliases...) {
			if seen[s] {
				t.Errorf("%q means two things", s)
			}
			seen[s] = true
		}
	}
}

func anyUnit(t *rapid.T) (string, Kind) {
	kind := Kind(rapid.IntRange(int(Ratio), int(kindCount)-1).Draw(t, "kind"))
	if kind.Rate() != 0 && rapid.Bool().Draw(t, "rate") {
		kind = kind.Rate()
	}
	return rapid.SampledFrom(kind.Units()).Draw(t, "unit"), kind
}

// What is written for a limit reads back as the same value.
func TestExactRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		unit, kind := anyUnit(t)
		number := rapid.Float64Range(-1e6, 1e6).Draw(t, "number")
		digits := rapid.IntRange(1, 9).Draw(t, "digits")
		text := strconv.FormatFloat(number, 'g', digits, 64) + " " + unit
		q, err := ParseQuantity(text, kind)
		if err != nil {
			if strings.Contains(err.Error(), "too small") {
				return
			}
			t.Fatalf("%q: %v", text, err)
		}
		back, err := ParseQuantity(FormatExact(q.SI, unit), kind)
		if err != nil || back.SI != q.SI {
			t.Fatalf("%q is %v, shown as %q, read as %v (%v)", text, q.SI, FormatExact(q.SI, unit), back.SI, err)
		}
	})
}

// A short form is within half of its last digit.
func TestShortFormIsNear(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		unit, kind := anyUnit(t)
		v := rapid.Float64Range(-1e5, 1e5).Draw(t, "value")
		text := Format(v, unit)
		q, err := ParseQuantity(text, kind)
		if err != nil {
			t.Fatalf("%v in %s is shown as %q: %v", v, unit, text, err)
		}
		shown, _ := Convert(q.SI, unit)
		want, _ := Convert(v, unit)
		if math.Abs(shown-want) > 0.0005001*math.Abs(want)+1e-12 {
			t.Fatalf("%v in %s is shown as %q", v, unit, text)
		}
	})
}

func FuzzParseQuantity(f *testing.F) {
	for _, s := range []string{"1800 N", "-4.5 °C", "1e9 lbf/min", "", "5", ".5 m", "5. m", "12 % at 5 kN", "1e-300 mm", "9e999 N", "3 \u2126"} {
		for k := Flag; k < kindCount; k++ {
			f.Add(s, uint8(k))
		}
	}
	f.Fuzz(func(t *testing.T, text string, kind uint8) {
		q, err := ParseQuantity(text, Kind(kind))
		if err != nil {
			if q != (Quantity{}) || strings.ContainsAny(err.Error(), "\n\r") {
				t.Errorf("%q: a value beside a fault, or a fault of two lines: %q", text, err)
			}
			return
		}
		if math.IsNaN(q.SI) || math.IsInf(q.SI, 0) || q.SI == 0 && math.Signbit(q.SI) || q.Kind != Kind(kind) {
			t.Errorf("%q gave %+v", text, q)
		}
		if again, err := ParseQuantity(FormatExact(q.SI, q.Unit), q.Kind); q.Kind != Flag && (err != nil || again.SI != q.SI) {
			t.Errorf("%q is %v and reads back as %v (%v)", text, q.SI, again.SI, err)
		}
	})
}
