package pad

import (
	"strings"
	"testing"
	"time"
)

func TestUpkeepDefaults(t *testing.T) {
	p := mustRead(t, example(t, "guard.toml"))
	if p.Commission != (Commission{Every: 30 * 24 * time.Hour, Required: true}) {
		t.Errorf("a guard of real pins: commissioning %+v", p.Commission)
	}
	if p.Upkeep != (Upkeep{Timeout: 15 * time.Second, RealTime: true}) {
		t.Errorf("a guard of real pins: upkeep %+v", p.Upkeep)
	}
	if p = mustRead(t, example(t, "watch.toml")); p.Commission.Required {
		t.Error("a pad that only watches asks for proof tests")
	}
	if p = mustRead(t, example(t, "rehearse.toml")); p.Commission.Required {
		t.Error("the rehearsal asks for proof tests though its file says no")
	}
}

func TestUpkeepAsWritten(t *testing.T) {
	text := string(example(t, "rehearse.toml"))
	text = strings.Replace(text, "required = false", "every = \"14 d\"", 1)
	text += "\n[watchdog]\ndevice = \"/dev/watchdog1\"\ntimeout = \"8 s\"\n\n[computer]\nreal_time = false\n"
	p := mustRead(t, []byte(text))
	if p.Commission != (Commission{Every: 14 * 24 * time.Hour, Required: true}) {
		t.Errorf("commissioning %+v: a virtual board must be told that it goes without", p.Commission)
	}
	if p.Upkeep != (Upkeep{Device: "/dev/watchdog1", Timeout: 8 * time.Second}) {
		t.Errorf("upkeep %+v", p.Upkeep)
	}
}

func TestProofIsAskedForWhereItIsWritten(t *testing.T) {
	for _, c := range []struct {
		file, add string
		want      bool
	}{
		{"guard.toml", "", false},
		{"guard.toml", "\n[proof]\nrequired = true\n", true},
		{"guard.toml", "\n[proof]\nrequired = false\n", false},
		{"watch.toml", "\n[proof]\nrequired = true\n", false},
	} {
		p := mustRead(t, append(example(t, c.file), c.add...))
		if p.Proof.Required != c.want {
			t.Errorf("%s with %q: %v", c.file, c.add, p.Proof.Required)
		}
	}
}

func TestUpkeepRefusals(t *testing.T) {
	for add, want := range map[string]string{
		"[commission]\nrequired = false\n":                                "pins that reach a contactor are tested before a start",
		"[commission]\nevery = \"0 d\"\n":                                 "more than 0",
		"[commission]\nevery = 30\n":                                      "has no unit",
		"[proof]\nrequired = 1\n":                                         "true or false",
		"[computer]\nreal_time = false\n":                                 "a guard of a real relay asks for it",
		"[watchdog]\ndevice = \"watchdog\"\n":                             "no whole path",
		"[watchdog]\ntimeout = \"5 s\"\n":                                 "no device to set it on",
		"[watchdog]\ndevice = \"/dev/watchdog\"\ntimeout = \"1500 ms\"\n": "whole seconds",
		"[watchdog]\ndevice = \"/dev/watchdog\"\ntimeout = \"2500 ms\"\n": "whole seconds",
		"[watchdog]\ndevice = \"/dev/watchdog\"\ntimeout = \"30 min\"\n":  "at most 2 min",
	} {
		_, faults := Read("pad.toml", []byte(string(example(t, "guard.toml"))+"\n"+add))
		if len(faults) != 1 || !strings.Contains(faults[0].Error(), want) {
			t.Errorf("%q: %v, want one fault with %q", add, faults, want)
		}
	}
}
