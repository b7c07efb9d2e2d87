package rehearsal

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"downhaul/interlock/day/guard"
	"downhaul/interlock/model/craftmodel"
)

// made is a made-up craft with its pad and limits, as three files.
type made struct {
	mass, ratio, tether, ballast float64 // kg, thrust over weight, m, kg
	motors, cells                int
	imperial                     bool
	thrust                       string // a line that stands instead of the motors' thrust
}

func (x made) length(m float64) string {
	if x.imperial {
		return fmt.Sprintf("%.4f ft", m/0.3048)
	}
	return fmt.Sprintf("%.4f m", m)
}

func (x made) weight(kg float64) string {
	if x.imperial {
		return fmt.Sprintf("%.6f lb", kg/0.45359237)
	}
	return fmt.Sprintf("%.6f kg", kg)
}

func (x made) force(n float64) string {
	if x.imperial {
		return fmt.Sprintf("%.6f lbf", n/4.4482216152605)
	}
	return fmt.Sprintf("%.6f N", n)
}

// one is the thrust of one motor, N.
func (x made) one() float64 {
	return x.ratio * (x.mass + x.ballast) * 9.80665 / float64(x.motors)
}

// files writes the three files. The ceiling leaves room in a third of the tether.
func (x made) files() guard.Files {
	units := "metric"
	if x.imperial {
		units = "imperial"
	}
	thrust := "thrust = \"" + x.force(x.one()) + "\""
	if x.thrust != "" {
		thrust = x.thrust
	}
	cell := "battery_status"
	pad := `version = 1
title = "made up"
duty = "guard"
units = "` + units + `"
[craft]
system = 1
component = 1
motors = ` + fmt.Sprint(x.motors) + `
[reach]
how = "wired pair"
[stop]
stated = "3 s"
[height]
source = "local"
error_height = "` + x.length(0.1) + `"
error_climb = "` + x.length(0.1) + `/s"
reaction = "100 ms"
thrust_to_weight = ` + fmt.Sprintf("%.6f", x.ratio) + `
[[link]]
name = "telemetry"
kind = "serial"
device = "/dev/serial/by-id/radio"
baud = 57600
[packs]
source = "` + cell + `"
cells = ` + fmt.Sprint(x.cells) + `
[load_cell]
zero = 84000
newtons_per_count = 0.0025
rate = "80 Hz"
device = "nau7802 on i2c-1"
[board]
kind = "gpio"
[board.lines]
relay = "gpiochip0:17"
heartbeat = "gpiochip0:27"
buzzer = "gpiochip0:22"
estop_a = "gpiochip0:5"
estop_b = "gpiochip0:6"
gate = "gpiochip0:13"
hold = "gpiochip0:12"
reset = "gpiochip0:19"
start = "gpiochip0:26"
end = "gpiochip0:16"
readback = "gpiochip0:20"
`
	envelope := `version = 1
title = "made up"
changed = "first"
units = "` + units + `"
[tether]
breaking_strength = "` + x.force(15*x.ratio*(x.mass+x.ballast)*9.80665) + `"
design_factor = 5
length = "` + x.length(x.tether) + `"
stretch = "12 % at ` + x.force(3*(x.mass+x.ballast)*9.80665) + `"
[[rule]]
name = "ceiling"
watch = "craft.apex"
above = "` + x.length(0.75*x.tether+0.5) + `"
caution = "` + x.length(0.6*x.tether+0.4) + `"
stop = "immediate"
[[rule]]
name = "tilt"
watch = "craft.tilt"
above = "35 deg"
lasting = "100 ms"
while = "airborne"
stop = "immediate"
[[rule]]
name = "pull"
watch = "tether.tension"
above = "` + x.force(2*x.ratio*(x.mass+x.ballast)*9.80665) + `"
lasting = "40 ms"
stop = "immediate"
`
	card := `version = 1
title = "made up"
units = "` + units + `"
[craft]
name = "made up"
mass = "` + x.weight(x.mass) + `"
[motors]
count = ` + fmt.Sprint(x.motors) + `
` + thrust + `
[[pack]]
name = "A"
cells = ` + fmt.Sprint(x.cells) + `
[[step]]
name = "fasteners"
kind = "inspection"
pass = "tight"
lasts = "1 d"
[[step]]
name = "first hover"
ballast = "` + x.weight(x.ballast) + `"
needs = ["fasteners"]
`
	return guard.Files{Pad: guard.File{Name: "pad.toml", Text: []byte(pad)}, Envelope: guard.File{Name: "envelope.toml", Text: []byte(envelope)}, Card: guard.File{Name: "card.toml", Text: []byte(card)}}
}

// crafts is a range of made-up crafts: 2 to 400 kg, thrust 1.3 to 3 times the
// weight, 3 to 24 cells, tether 3 to 30 m, metric and imperial, 3 to 16 motors.
func crafts() (out []made) {
	masses, ratios, tethers := []float64{2, 5, 14, 31, 60, 143, 400}, []float64{1.3, 1.6, 2.1, 3}, []float64{3, 5, 9, 16, 30}
	motors, cells := []int{4, 6, 8, 12}, []int{3, 4, 6, 10, 12, 14, 20, 24}
	for i := range 35 {
		out = append(out, made{mass: masses[i%len(masses)], ratio: ratios[i%len(ratios)], tether: tethers[(i/2)%len(tethers)],
			motors: motors[(i/3)%len(motors)], cells: cells[(i*3)%len(cells)], imperial: i%2 == 1, ballast: float64(i%3) * 0.05 * masses[i%len(masses)]})
	}
	for i, n := range []int{3, 5, 10, 16} {
		out = append(out, made{mass: masses[2*i], ratio: 1.7, tether: 16, motors: n, cells: 12, imperial: i%2 == 1})
	}
	return out
}

func modelOf(t *testing.T, x made) *Craft {
	t.Helper()
	f := x.files()
	c, faults := f.Check()
	if len(faults) > 0 {
		t.Fatalf("%+v: %v", x, faults)
	}
	m, faults := model(f, c, "")
	if len(faults) > 0 {
		t.Fatalf("%+v: %v", x, faults)
	}
	return m
}

// The hover of the modelled craft is held against sums by hand: output from thrust
// in proportion to the square of rotor speed, and that to output times voltage
// (blade element theory at a fixed collective); power from momentum theory,
// P ∝ T^1.5; sag and current from V = E − I R with I = P/V.
func TestTheModelledCraftHovers(t *testing.T) {
	t.Parallel()
	for _, x := range crafts() {
		m := modelOf(t, x)
		cfg := m.Config
		cfg.Wind, cfg.Turbulence, cfg.Unpowered = 0, 0, false
		c, err := craftmodel.New(cfg)
		if err != nil {
			t.Errorf("%+v: %v", x, err)
			continue
		}
		for _, e := range []craftmodel.Event{{Act: craftmodel.Arm}, {Act: craftmodel.ClimbTo, Value: m.Hover}} {
			if err := c.Do(e); err != nil {
				t.Fatal(err)
			}
			c.Step(2 * time.Second)
		}
		c.Step(25*time.Second + time.Duration(m.Hover/0.8*1e9))
		got := c.Truth()

		weight, n := (x.mass+x.ballast)*9.80665, float64(x.motors)
		rho := 1.225 // US Standard Atmosphere 1976 at sea level, 15 °C
		electric := func(thrust float64) float64 {
			one, area := thrust/n, math.Pi*cfg.Diameter*cfg.Diameter/4
			return n*math.Pow(one, 1.5)/math.Sqrt(2*rho*area)/(cfg.FigureOfMerit*cfg.Efficiency) + cfg.Avionics
		}
		ohm := cfg.CellResistance * float64(x.cells)
		source := func(charge float64) float64 { return float64(x.cells) * craftmodel.RestingCell(charge) }
		under := func(e, watts float64) float64 {
			volts := e
			for range 60 { // V = E − R P/V, by turns
				volts = e - ohm*watts/volts
			}
			return volts
		}
		full := under(source(1), electric(n*x.one()))
		e := source(got.Charge) - 0.5*ohm*cfg.SlowResistance/cfg.CellResistance*electric(weight)/full
		volts := under(e, electric(weight))
		output := math.Sqrt(weight/(n*x.one())) * full / volts
		amps := electric(weight) / volts
		near := func(what string, got, want, share float64) {
			if math.Abs(got-want) > share*math.Abs(want) {
				t.Errorf("%+v: %s is %.4g, by hand %.4g", x, what, got, want)
			}
		}
		near("height", got.Height, m.Hover, 0.05+0.1/m.Hover)
		near("hover output", got.Output, output, 0.03)
		near("voltage", got.Voltage, volts, 0.02)
		near("current", got.Current, amps, 0.05)
		near("thrust", got.Thrust, weight, 0.02)
		if got.OnGround || got.Tension > 0 || got.Tilt > 0.05 {
			t.Errorf("%+v: no free hover: %+v", x, got)
		}
	}
}

func TestWhatTheModelAsksFor(t *testing.T) {
	t.Parallel()
	good := made{mass: 60, ratio: 1.8, tether: 9, motors: 8, cells: 14}
	for _, c := range []struct {
		what, want string
		change     func(*made, *guard.Files)
	}{
		{"no card", "no test card", func(_ *made, f *guard.Files) { f.Card = guard.File{} }},
		{"no thrust", `motors.thrust: missing: the model needs it; write the static thrust`, func(x *made, f *guard.Files) { x.thrust = "# none"; *f = x.files() }},
		{"two motors", "3 to 16 motors (got 2)", func(x *made, f *guard.Files) { x.motors = 2; *f = x.files() }},
		{"no tether", "tether.length: missing", func(_ *made, f *guard.Files) { f.Envelope.Text = without(f.Envelope.Text, "length =") }},
		{"too heavy", "cannot lift step", func(x *made, f *guard.Files) { x.thrust, x.ballast = `thrust = "78 N"`, 12; *f = x.files() }},
		{"weak pack", "the packs cannot give it", func(x *made, f *guard.Files) {
			*f = x.files()
			f.Card.Text = []byte(strings.Replace(string(f.Card.Text), "cells = 14", "cells = 14\nresistance = \"2000 mohm\"", 1))
		}},
		{"nothing flies", "no step of the card flies", func(_ *made, f *guard.Files) {
			f.Card.Text = []byte(strings.Split(string(f.Card.Text), "[[step]]\nname = \"first hover\"")[0])
		}},
	} {
		x, f := good, good.files()
		c.change(&x, &f)
		checked, faults := f.Check()
		if len(faults) > 0 {
			t.Errorf("%s: %v", c.what, faults)
			continue
		}
		if _, faults = model(f, checked, ""); !strings.Contains(faults.Error(), c.want) {
			t.Errorf("%s: got %v, want %q", c.what, faults, c.want)
		}
	}
}

func without(text []byte, begin string) []byte {
	var keep []string
	for line := range strings.Lines(string(text)) {
		if !strings.HasPrefix(line, begin) {
			keep = append(keep, line)
		}
	}
	return []byte(strings.Join(keep, ""))
}
