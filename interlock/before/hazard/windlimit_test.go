package hazard

import (
	"strings"
	"testing"

	"downhaul/interlock/pad"
	"downhaul/interlock/records/stopping"
	"downhaul/rules"
)

// A limit on the wind says what its cups and its height are off by, and to which side.
// From 3 m to 10 m over a roughness of 0.03 m the wind grows 1.261 times (worked from
// the log law): 8 m/s at the mast let 10.1 m/s blow at the rotors.
func TestWindLimitSaysWhatItRestsOn(t *testing.T) {
	const wind = "\n[wind]\nslope = \"0.62 m\"\noffset = \"0.27 m/s\"\npulses_per_turn = 2\nbounce = \"1 ms\"\nheight = \"3 m\"\n"
	const carried = "rotor_height = \"10 m\"\nmethod = \"log\"\nroughness = \"0.03 m\"\n"
	says := func(padMore, watch string) string {
		p, faults := pad.Read("pad.toml", []byte(padText+padMore))
		if p == nil {
			t.Fatal(faults)
		}
		e, faults := rules.ReadEnvelope("e.toml", []byte(tetherText+rule("w", watch, `above = "8 m/s"`, "stop = \"controlled\"\ngrace = \"12 s\"")))
		if e == nil {
			t.Fatal(faults)
		}
		return Judge(Case{Envelope: e, Pad: p, Stop: stopping.Stated(p)}).Meanwhile[0].Says
	}
	for _, c := range []struct{ pad, watch, want, not string }{
		{wind + carried, "wind.gust3s", "this limit lets 10.1 m/s blow, by the log law over a roughness of 0.03 m", "not known"},
		{wind + carried, "wind.gust3s", "read up to 0.93 m/s too little, which is the dangerous side", ""},
		{wind + carried, "wind.rotor_gust3s", "times 1.26, by the log law", "this limit lets"},
		{wind + strings.Replace(carried, `"10 m"`, `"2 m"`, 1), "wind.rotor_gust3s", "times 1.00", ""},
		{wind + strings.Replace(carried, `"10 m"`, `"2 m"`, 1), "wind.rotor", "in them it errs low", ""},
		{wind + strings.Replace(carried, "method = \"log\"\nroughness = \"0.03 m\"", "method = \"power\"\nexponent = 0.14", 1), "wind.rotor", "power law with an exponent of 0.14", ""},
		{wind, "wind.gust3s", "What blows at the rotors is not known", ""},
		{wind, "wind.mean10min", "up to 0.2 m/s too much in the mean, which is the safe side", "lag"},
	} {
		if got := says(c.pad, c.watch); !strings.Contains(got, c.want) || c.not != "" && strings.Contains(got, c.not) {
			t.Errorf("%s: want %q, not %q, got %q", c.watch, c.want, c.not, got)
		}
	}
}
