package derived

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"downhaul/rules"
)

func all(rules.ChannelID) bool { return true }

func TestNewMakesEveryDerivedChannelOnce(t *testing.T) {
	calcs, err := New(whole(), all)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[rules.ChannelID]bool{}
	for _, c := range calcs {
		id := c.Output()
		if seen[id] || !id.Channel().Derived {
			t.Errorf("%v: made twice, or not derived", id)
		}
		if c.Trigger().Channel().Derived && !seen[c.Trigger()] {
			t.Errorf("%v comes before its trigger %v", id, c.Trigger())
		}
		for _, in := range append(whole().inputs(id), optional(id)...) {
			if in.Channel().Derived && !seen[in] {
				t.Errorf("%v comes before %v, which it reads", id, in)
			}
		}
		if !slices.Contains(whole().inputs(id), c.Trigger()) {
			t.Errorf("%v is triggered by %v, which is not among its inputs", id, c.Trigger())
		}
		seen[id] = true
	}
	for _, ch := range rules.Catalogue() {
		if ch.Derived != seen[ch.ID] {
			t.Errorf("%v: derived %v, made %v", ch.ID, ch.Derived, seen[ch.ID])
		}
	}
}

func TestNewMakesWhatTheWantedRestOn(t *testing.T) {
	for id, want := range map[rules.ChannelID][]rules.ChannelID{
		rules.Apex:        {rules.LinkLag, rules.Climb, rules.Height, rules.Apex},
		rules.Lull10:      {rules.Gust, rules.Lull10},
		rules.SlantRange:  {rules.Height, rules.SlantRange},
		rules.LiftReserve: {rules.MotorHighest, rules.LiftReserve},
		rules.PackResting: {rules.PackResistance, rules.PackResting},
		rules.Tension:     nil,
	} {
		calcs, err := New(whole(), func(x rules.ChannelID) bool { return x == id })
		if err != nil {
			t.Fatal(err)
		}
		var got []rules.ChannelID
		for _, c := range calcs {
			got = append(got, c.Output())
		}
		if !slices.Equal(got, want) {
			t.Errorf("%v: expected %v, got %v", id, want, got)
		}
	}
	// What is not wanted need not be stated.
	if _, err := New(Config{}, func(x rules.ChannelID) bool { return x == rules.Gust || x == rules.Tilt }); err != nil {
		t.Error(err)
	}
}

func TestNeeds(t *testing.T) {
	cfg := whole()
	pack := []rules.ChannelID{rules.SupplyVoltage, rules.SupplyCurrent}
	outputs := []rules.ChannelID{rules.Motor1Output, rules.Motor1Output + 1, rules.Motor1Output + 2, rules.Motor1Output + 3, rules.Motor1Output + 4, rules.Motor1Output + 5}
	bare := whole()
	bare.Full = FullOutput{}
	if got := bare.Needs(rules.LiftReserve); !slices.Equal(got, outputs) {
		t.Errorf("lift reserve without a measured full output: expected %v, got %v", outputs, got)
	}
	for id, want := range map[rules.ChannelID][]rules.ChannelID{
		rules.Tension:      {rules.Tension},
		rules.TensionRate:  {rules.Tension},
		rules.Gust:         {rules.WindSpeed},
		rules.Mean2:        {rules.WindSpeed},
		rules.Mean10:       {rules.WindSpeed},
		rules.Peak10:       {rules.WindSpeed},
		rules.Lull10:       {rules.WindSpeed},
		rules.RotorWind:    {rules.WindSpeed},
		rules.RotorGust:    {rules.WindSpeed},
		rules.Height:       {rules.HeightGlobal, rules.ClimbGlobal},
		rules.Climb:        {rules.ClimbGlobal},
		rules.Apex:         {rules.HeightGlobal, rules.ClimbGlobal},
		rules.Distance:     {rules.North, rules.East},
		rules.Sway:         {rules.North, rules.East},
		rules.SlantRange:   {rules.HeightGlobal, rules.ClimbGlobal, rules.North, rules.East},
		rules.Tilt:         {rules.Roll, rules.Pitch},
		rules.PackMeanCell: {rules.SupplyVoltage},
		rules.PackResting:  pack,
		rules.PackToFloor:  pack,
		rules.MotorHighest: outputs,
		rules.MotorSpread:  outputs,
		rules.LiftReserve:  slices.Concat(pack, outputs),
		rules.LinkLag:      {rules.CraftBootClock},
		rules.NoChannel:    nil,
		rules.ChannelCount: nil,
	} {
		if got := cfg.Needs(id); !slices.Equal(got, want) {
			t.Errorf("%v: expected %v, got %v", id, want, got)
		}
	}
	cfg.HeightSources, cfg.Vote = []rules.ChannelID{rules.HeightRange, rules.HeightLocal}, Median
	cfg.ClimbSource = rules.ClimbHUD
	if got, want := cfg.Needs(rules.Height), []rules.ChannelID{rules.HeightLocal, rules.HeightRange, rules.ClimbHUD}; !slices.Equal(got, want) {
		t.Errorf("height: expected %v, got %v", want, got)
	}
	if got, want := cfg.Helps(rules.Apex), []rules.ChannelID{rules.CraftArmed, rules.CraftBootClock, rules.HeightGlobal, rules.ClimbGlobal, rules.ClimbLocal, rules.HomeLatitude, rules.HomeLongitude, rules.HomeAltitude, rules.EstimatorFlags}; !slices.Equal(got, want) {
		t.Errorf("apex: expected help from %v, got %v", want, got)
	}
	if got := cfg.Helps(rules.Gust); got != nil {
		t.Errorf("gust: expected no help, got %v", got)
	}
}

func TestNewRefuses(t *testing.T) {
	for _, c := range []struct {
		name string
		id   rules.ChannelID
		mend func(*Config)
	}{
		{"no height", rules.Apex, func(c *Config) { c.HeightSources = nil }},
		{"sea level is no height", rules.Height, func(c *Config) { c.HeightSources = []rules.ChannelID{rules.AltitudeSea} }},
		{"twice", rules.Height, func(c *Config) {
			c.HeightSources = []rules.ChannelID{rules.HeightLocal, rules.HeightLocal}
			c.Vote, c.Disagreement = Highest, 1
		}},
		{"two without a vote", rules.Height, func(c *Config) { c.HeightSources = append(c.HeightSources, rules.HeightLocal) }},
		{"a vote of one", rules.Height, func(c *Config) { c.Vote, c.Disagreement = Median, 1 }},
		{"a vote without disagreement", rules.Height, func(c *Config) {
			c.HeightSources = append(c.HeightSources, rules.HeightLocal)
			c.Vote = Median
		}},
		{"no climb", rules.Climb, func(c *Config) { c.ClimbSource = rules.HeightLocal }},
		{"a wild thrust", rules.Apex, func(c *Config) { c.MaxAcceleration = math.NaN() }},
		{"a negative error", rules.Apex, func(c *Config) { c.ErrorClimb = -1 }},
		{"a negative reaction", rules.Apex, func(c *Config) { c.Reaction = -time.Second }},
		{"a limit that is no number", rules.Apex, func(c *Config) { c.ApexThresholds = []float64{math.NaN()} }},
		{"no motors", rules.RotorSpeed, func(c *Config) { c.Motors = 0 }},
		{"17 motors", rules.LiftReserve, func(c *Config) { c.Motors = 17 }},
		{"no method", rules.RotorWind, func(c *Config) { c.Method = NoMethod }},
		{"rough above the rotors", rules.RotorWind, func(c *Config) { c.Roughness = 7 }},
		{"no height of the anemometer", rules.RotorWind, func(c *Config) { c.AnemometerHeight = 0 }},
		{"an exponent of 2", rules.RotorWind, func(c *Config) { c.Method, c.Exponent = PowerLaw, 2 }},
		{"no pack", rules.PackResistance, func(c *Config) { c.PackVoltage = rules.NoChannel }},
		{"a current that is none", rules.PackResting, func(c *Config) { c.PackCurrent = rules.Tension }},
		{"no cells", rules.PackMeanCell, func(c *Config) { c.Cells = 0 }},
		{"no floor", rules.PackToFloor, func(c *Config) { c.PackFloor = 0 }},
		{"no anchor", rules.Distance, func(c *Config) { c.AnchorEast = math.Inf(1) }},
	} {
		cfg := whole()
		c.mend(&cfg)
		_, err := New(cfg, func(id rules.ChannelID) bool { return id == c.id })
		if !errors.Is(err, errUnstated) {
			t.Errorf("%s: expected a refusal, got %v", c.name, err)
		}
	}
	// All faults at once.
	_, err := New(Config{}, all)
	if err == nil || strings.Count(err.Error(), "\n") < 8 {
		t.Errorf("expected every fault, got %v", err)
	}
}
