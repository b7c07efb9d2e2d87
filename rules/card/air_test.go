package card

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

func TestAirOnTheCard(t *testing.T) {
	text := "version = 1\n%s\n[craft]\nname = \"c\"\nmass = \"10 kg\"\n[motors]\ncount = 4\n[motors.rig]\nreading = \"40 N\"\nlever = 1\nvolts = \"48 V\"\n%s\n[[step]]\nname = \"one\"\nballast = \"0 kg\"\n"
	c, faults := Read("card.toml", fmt.Appendf(nil, text, `air = "30 °C, 1000 m"`, `air = "41 °F, 1020 hPa"`))
	if c == nil {
		t.Fatal(faults)
	}
	if a := c.Air; !a.Told || a.Celsius != 30 || a.Elevation != 1000 || a.Pressure != 0 {
		t.Errorf("the pad's air %+v", a)
	}
	if a := c.Motors.Rig.Air; !a.Told || a.Pressure != 102000 || math.Abs(a.Celsius-5) > 1e-9 {
		t.Errorf("the rig's air %+v", a)
	}
	for air, says := range map[string]string{
		"30 °C": "the air is a temperature with the pressure", "300 m": "the air is a temperature", "80 °C, 30 m": "no pad has such air", "30 °C, 10000 m": "no pad has such air",
		"20 °C, 20 hPa": "no pad has such air", "30 m, 10 m": "unit of length", "20 °C, 5 kg": "unit of mass", "20, 985 hPa": "no unit",
	} {
		air = fmt.Sprintf("air = %q", air)
		for _, at := range []string{fmt.Sprintf(text, air, ""), fmt.Sprintf(text, "", air)} {
			if c, faults := Read("card.toml", []byte(at)); c != nil || strings.Count(fmt.Sprint(faults), "(got ") > 1 || !strings.Contains(fmt.Sprint(faults), says) || !strings.Contains(fmt.Sprint(faults), "air") {
				t.Errorf("%s: want %q, got %v", air, says, faults)
			}
		}
	}
}
