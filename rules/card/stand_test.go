package card

import (
	"crypto/sha256"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"downhaul/rules"
)

const onStand = `version = 1
[craft]
name = "stand"
mass = "2 kg"
[motors]
count = 1
[[step]]
name      = "stand"
kind      = "stand"
motor     = 2
propeller = "15 in"
max_speed = "9000 rpm"
envelope  = "stand.toml"
envelope_sha256 = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
`

// limitsOf are rules that take the power off at once above those limits.
func limitsOf(hash [32]byte, limits map[rules.ChannelID]float64) *rules.Envelope {
	e := &rules.Envelope{Hash: hash}
	for id, limit := range limits {
		e.Rules = append(e.Rules, rules.Rule{Name: id.String(), Watch: id, Form: rules.Above, Limit: limit, Stop: rules.Immediate})
	}
	return e
}

// A step on the thrust stand does not start before everything that a motor there can
// break is limited, or somebody wrote why it is not.
func TestStandWantsItsLimits(t *testing.T) {
	c := mustRead(t, []byte(onStand))
	s := &c.Steps[0]
	if s.Kind != Ground || s.Stand == nil || s.Stand.Motor != 2 || math.Abs(s.Stand.Propeller-0.381) > 1e-9 || s.Stand.MaxSpeed != 150 {
		t.Fatalf("read %+v, %+v", s, s.Stand)
	}
	whole := map[rules.ChannelID]float64{rules.Motor1Speed + 1: 150, rules.Tension: 40, rules.ESCCurrent: 30, rules.ESCTemperature: 90, rules.Vibration: 30, rules.Motor1Output + 1: 0.95}
	facts := func(e *rules.Envelope) *Facts { return &Facts{Now: time.Hour, Step: "stand", Limits: e} }
	if asks, _ := c.Unmet(facts(limitsOf(s.EnvelopeHash, whole))); len(asks) > 0 {
		t.Errorf("asks %q", asks)
	}
	for id := range whole {
		less := limitsOf(s.EnvelopeHash, whole)
		for i := range less.Rules {
			if less.Rules[i].Watch == id {
				less.Rules[i].Stop = rules.NoStop
			}
		}
		if asks, _ := c.Unmet(facts(less)); len(asks) != 1 || !strings.Contains(asks[0], "wants ") {
			t.Errorf("without a stop on %s it asks %q", id, asks)
		}
		less.Without = []rules.Absence{{Channel: id, Reason: "none"}}
		if asks, _ := c.Unmet(facts(less)); len(asks) > 0 {
			t.Errorf("without %s, and said so, it asks %q", id, asks)
		}
	}
	whole[rules.Motor1Speed+1] = 151
	if asks, _ := c.Unmet(facts(limitsOf(s.EnvelopeHash, whole))); len(asks) != 1 || !strings.Contains(asks[0], "the propeller's maker 9000 rpm") {
		t.Errorf("past the maker's speed it asks %q", asks)
	}
	if says := strings.Join(s.ForCrew(false), "\n"); !strings.Contains(says, "plane of the propeller or downstream") || !strings.Contains(says, "53 % of the speed of sound") {
		t.Errorf("%s", says)
	}
}

// The example for a stand reads, has the limits that it names, and lacks none.
func TestExampleForTheStandHolds(t *testing.T) {
	read := func(name string) []byte {
		text, err := os.ReadFile(filepath.Join("..", "..", "deploy", name))
		if err != nil {
			t.Fatal(err)
		}
		return text
	}
	c := mustRead(t, read("stand-card.example.toml"))
	s, ok := c.Step("stand, motor 1")
	if !ok || s.Stand == nil {
		t.Fatalf("%+v", s)
	}
	limits := read(s.Envelope)
	e, faults := rules.ReadEnvelope(s.Envelope, limits)
	if err := faults.Err(); err != nil || sha256.Sum256(limits) != s.EnvelopeHash {
		t.Fatalf("%v, or another hash than the card's", err)
	}
	s.Stand.AskLimits(e, func(says string, args ...any) { t.Errorf(says, args...) })
}
