package card

import (
	"strings"
	"testing"
	"time"
)

// What is due by hours counts from when it was told, over all sessions.
func TestDueByHoursWithPowerOn(t *testing.T) {
	c := mustRead(t, []byte(strings.Replace(string(example(t)), `lasts    = "1 d"`, `every = "2 h"`, 1)))
	for _, row := range []struct {
		live time.Duration
		due  bool
	}{{3 * time.Hour, false}, {5*time.Hour - 1, false}, {5 * time.Hour, true}} {
		f := met(c)
		for i := range f.Results {
			f.Results[i].Live = 3 * time.Hour
		}
		f.Live = row.live
		unmet, _ := c.Unmet(f)
		if due := len(unmet) == 1 && strings.Contains(unmet[0], "is due after 120 min with power on (downhaul declare inspection)"); due != row.due || !due && len(unmet) > 0 {
			t.Errorf("%v: %q", row.live, unmet)
		}
	}
}

// An inspection of a pack comes due by the hours of that pack alone.
func TestDueByHoursOfAPack(t *testing.T) {
	c := mustRead(t, []byte(strings.Replace(string(example(t)), `lasts    = "1 d"`, "every = \"2 h\"\npacks = [\"a1\"]", 1)))
	for _, row := range []struct {
		a, b time.Duration
		due  bool
	}{{0, 9 * time.Hour, false}, {5*time.Hour - 1, 9 * time.Hour, false}, {5 * time.Hour, 0, true}} {
		f := met(c)
		for i := range f.Results {
			f.Results[i].Live = 3 * time.Hour
		}
		f.Live, f.PackLive = 20*time.Hour, map[string]time.Duration{"A1": row.a, "B1": row.b}
		unmet, _ := c.Unmet(f)
		if due := len(unmet) == 1 && strings.Contains(unmet[0], "is due after 120 min with power on"); due != row.due || !due && len(unmet) > 0 {
			t.Errorf("%v, %v: %q", row.a, row.b, unmet)
		}
	}
}

// What is asked of people cannot be asked of what they do not declare.
func TestCrewKeysThatAreRefused(t *testing.T) {
	for text, want := range map[string]string{
		"[[mode]]\nnumber = -1\nname = \"a\"":                                                         "no whole number",
		"[[mode]]\nnumber = 4.5\nname = \"a\"":                                                        "no whole number",
		"[[mode]]\nnumber = 4\nname = \"a\"\n[[mode]]\nnumber = 4\nname = \"b\"":                      "two modes have this number",
		"[[step]]\nname=\"x\"\nballast=\"0 kg\"\nballast_within=\"1 kg\"":                             "no ballast to weigh",
		"[[step]]\nname=\"x\"\nballast=\"1 kg\"\nconfirmed_by=1":                                      "confirmed_by",
		"[[step]]\nname=\"x\"\nballast=\"1 kg\"\nevery=\"1 h\"":                                       "only an inspection comes due by hours",
		"[[step]]\nname=\"x\"\nkind=\"inspection\"\npass=\"y\"\nlasts=\"1 d\"\nconfirmed_by=2":        "never the step in force",
		"[[step]]\nname=\"x\"\nkind=\"inspection\"\npass=\"y\"\nlasts=\"1 d\"\npacks=[\"A1\"]":        "the one that it is about",
		"[[step]]\nname=\"x\"\nkind=\"inspection\"\npass=\"y\"\nevery=\"1 h\"\npacks=[\"A1\",\"A2\"]": "the one that it is about",
		"[[step]]\nname=\"x\"\nkind=\"inspection\"\npass=\"y\"\nevery=\"1 h\"\npacks=[\"nobody's\"]":  "no [[pack]] has this name",
		"[[step]]\nname=\"x\"\nkind=\"ground\"\npacks=[\"A1\"]":                                       "the one that it is about",
		"[[step]]\nname=\"x\"\nkind=\"ground\"\nballast_within=\"1 kg\"":                              "only a step that flies",
	} {
		if _, faults := Read("card.toml", []byte(string(example(t))+"\n"+text)); faults.Err() == nil || !strings.Contains(faults.Err().Error(), want) {
			t.Errorf("%q: %v, want %q", text, faults.Err(), want)
		}
	}
	c := mustRead(t, []byte(string(example(t))+"\n[[mode]]\nnumber = 4294967295\nname = \"hold\""))
	if len(c.Modes) != 1 || c.Modes[0] != (Mode{4294967295, "hold"}) {
		t.Errorf("modes %+v", c.Modes)
	}
}
