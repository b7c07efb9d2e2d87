package panel

import (
	"sync/atomic"
	"testing"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/answers/told"
	"downhaul/rules"
)

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func some[T any](v T) *T { return &v }

// scene is a state of the guard as a page may meet it, with the very words
// that the guard has for it.
type scene struct {
	name string
	view interlock.View
	also func(*told.Status)
}

// scenes are every state in both duties, and the ways of each that look
// different.
func scenes() []scene {
	in := func(s interlock.State, keepOut bool) interlock.View {
		return interlock.View{State: s, Duty: interlock.Guard, KeepOut: keepOut, Grace: rules.Never, ResetDone: s == interlock.Ready}
	}
	notReady := func(s *told.Status) {
		s.NotReady = []string{"gate open", "craft.apex: healthy for 4 s, wanted 10 s",
			"calm enough to start: wind.gust3s must be 14 mph or less; now 16.2 mph",
			"reset needed: search the area, then press and release reset"}
		s.Permissives[0].Holds = false
	}
	trip := func(s *told.Status) {
		s.FirstCause = "gust past its limit: 20.4 mph, limit 20 mph"
		s.Causes = []told.CauseStatus{
			{Trip: 3, At: 812.31, First: true, Text: s.FirstCause, Stop: "controlled", Stands: some(true), Now: "still so"},
			{Trip: 4, At: 815.02, AfterS: 2.71, Text: "tether overload past its limit: 1911 N, limit 1800 N", Stop: "immediate", Stands: some(false), Now: "inside again now; reset clears it"},
			{Trip: 5, At: 815.4, AfterS: 3.09, Text: "emergency stop", Stop: "immediate"}}
		s.Rules[3].Demand, s.Rules[3].Caution = true, true
		s.Rules[3].Value, s.Rules[3].Headroom, s.Rules[3].ValueText, s.Rules[3].HeadroomText = some(9.12), some(-0.18), "20.4 mph", "-0.4 mph"
		s.Sound = "tripped"
		s.Flash = &told.FlashStatus{At: 815.02, AgoS: 12, State: "tripped"}
	}
	watch := func(standing int) interlock.View {
		return interlock.View{State: interlock.Blocked, Duty: interlock.Watch, KeepOut: true, Standing: standing, Grace: rules.Never}
	}
	lowering := in(interlock.Lowering, true)
	lowering.At, lowering.Grace = 100*time.Second, 111500*time.Millisecond
	near := in(interlock.Live, true)
	near.Rules = []interlock.RuleView{{Caution: true}}
	fault := in(interlock.Fault, true)
	fault.Why = interlock.ReasonPowerRemains
	failed := in(interlock.Fault, true)
	failed.Why = interlock.ReasonReadbackNot
	return []scene{
		{"blocked", in(interlock.Blocked, false), notReady},
		{"blocked, keep out", in(interlock.Blocked, true), notReady},
		{"ready", in(interlock.Ready, false), nil},
		{"closing", in(interlock.Closing, true), nil},
		{"live", in(interlock.Live, true), nil},
		{"live with a caution", near, func(s *told.Status) {
			s.Rules[3].Caution, s.Sound = true, "caution"
			s.DoNow = []string{"Caution, gust: 17.1 mph, limit 20 mph. Bring it back inside, or land."}
			s.Rules[2].InForce = false
			s.Rules[1].Missing, s.Rules[1].Now = true, "missing: too old"
		}},
		{"lowering", lowering, trip},
		{"tripped", in(interlock.Tripped, false), trip},
		{"tripped, keep out", in(interlock.Tripped, true), trip},
		{"fault", failed, trip},
		{"power not removed", fault, trip},
		{"watch", watch(0), func(s *told.Status) { s.NotReady = []string{"duty is watch: the relay is never closed"} }},
		{"watch, past a limit", watch(1), trip},
	}
}

// status is what the guard would tell in this scene.
func (c scene) status() *told.Status {
	env := &rules.Envelope{}
	for range 4 {
		env.Rules = append(env.Rules, rules.Rule{})
	}
	v := c.view
	duty := "guard"
	if v.Duty == interlock.Watch {
		duty = "watch"
	}
	s := &told.Status{Schema: 1, Session: "2031-05-04T10-00-00Z-1234", Folder: "/var/lib/secret-folder", Title: "North Field: tethered hover, water ballast",
		At: 830, SinceS: 812.31, AgeS: 0.05, Duty: duty, State: v.State.String(), Sentence: told.Sentence(&v), Meaning: told.Meaning(&v),
		DoNow: told.DoNow(&v, env), Sound: "silent", KeepOut: v.KeepOut, RelayOn: v.State == interlock.Live || v.State == interlock.Lowering,
		Armed: true, Airborne: true, ArmedSays: "yes", InTheAir: "not known", NotReady: []string{}, Causes: []told.CauseStatus{}, Trouble: []string{},
		Acts: []answers.ActStatus{{At: 640.2, What: "reset taken", By: "input line reset"}, {At: 651.9, What: "start", By: "input line start"},
			{At: 700.4, What: "mark: hum from motor 3", By: "local user alice (1000)"}},
		CraftSays: []told.CraftSays{{At: 828.4, Severity: "warning", Text: "Battery 1 low"}, {At: 651.2, Severity: "info", Text: "Motors armed"}},
		Declared: answers.Declared{Card: "Eight 2, water ballast", Craft: "Eight 2", Step: "hover with 12 kg", Packs: []string{"A1", "B3"}, Asks: []string{},
			Conditions: []string{"two people at the stand-off"}, Wind: &answers.DeclaredWind{Text: "9 mph", AgeS: 71, LeftS: 529, Says: "declared, not measured"}},
		Unseen: []string{"line out, how much line is out: no channel feeds it", "people inside the keep-out, a blade that comes loose, fire: no channel at all, so observer and emergency stop"},
		Link:   answers.LinkStatus{Frames: 48211, OtherSenders: 3},
	}
	rule := func(name, channel, unit string, si, limit float64, shown string, rests string) {
		room := limit - si
		if name == "pack floor" {
			room = -room
		}
		r := told.RuleStatus{Name: name, Channel: channel, Value: &si, Limit: limit, Headroom: some(room), Unit: unit, InForce: true, Stop: "immediate", RestsOn: rests,
			ValueText: rules.Format(si, shown), LimitText: rules.FormatExact(limit, shown), HeadroomText: rules.FormatDifference(room, shown)}
		r.Now = r.ValueText + ", limit " + r.LimitText
		s.Rules = append(s.Rules, r)
	}
	rule("tether overload", "tether.tension", "N", 312, 1800, "N", "own sensor")
	rule("ceiling", "craft.apex", "m", 3.41, 7, "m", "what the craft says of itself")
	s.Rules[1].Beside = "top if power is cut now; height 2 m"
	rule("pack floor", "pack.lowest_cell", "V", 3.91, 3.45, "V", "what the craft says of itself")
	rule("gust", "wind.gust3s", "m/s", 5.1, 8.9408, "mph", "own sensor")
	s.Permissives = []told.PermissiveStatus{{Name: "calm enough to start", Channel: "wind.gust3s", Condition: "wind.gust3s must be 14 mph or less",
		Now: "11.4 mph", Value: some(5.1), Limit: 6.25856, Unit: "m/s", Holds: true}}
	channel := func(name, says, unit, shown string, si float64) {
		v, _ := rules.Convert(si, shown)
		s.Channels = append(s.Channels, told.ChannelStatus{Channel: name, Says: says, Unit: unit, Shown: shown, Value: &si, AsShown: &v, Text: rules.Format(si, shown), AgeS: some(0.1)})
	}
	channel("wind.speed", "wind speed at the mast", "m/s", "mph", 4.2)
	channel("wind.gust3s", "mean over 3 s (WMO-No. 8)", "m/s", "mph", 5.1)
	channel("wind.mean10min", "mean over 10 min", "m/s", "mph", 3.8)
	channel("craft.height", "height above the pad", "m", "m", 2.02)
	channel("craft.apex", "predicted top of the coast if power went off now", "m", "m", 3.4)
	channel("pack.voltage", "voltage of pack 1", "V", "V", 54.8)
	channel("pack.lowest_cell", "lowest cell of pack 1", "V", "V", 3.91)
	channel("tether.tension", "tether tension", "N", "N", 312)
	channel("link.lag", "delay of the link", "s", "s", 0.02)
	channel("link.loss", "share of the craft's frames lost", "1", "%", 0.003)
	if v.Grace != rules.Never {
		s.GraceLeft = some((v.Grace - v.At).Seconds())
	}
	if c.also != nil {
		c.also(s)
	}
	return s
}

// teller answers as a guard would, with whatever it was given last.
type teller struct {
	status atomic.Pointer[told.Status]
	err    atomic.Pointer[error]
	began  time.Time
	asked  atomic.Int64
	stuck  atomic.Bool // what it tells stands still
}

func (w *teller) ask() (*told.Status, error) {
	w.asked.Add(1)
	if e := w.err.Load(); e != nil {
		return nil, *e
	}
	s := *w.status.Load()
	if w.began.IsZero() {
		w.began = time.Now()
	}
	if w.stuck.Load() {
		s.AgeS = 7
		return &s, nil
	}
	s.At += time.Since(w.began).Seconds()
	return &s, nil
}
