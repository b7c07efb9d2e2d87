// Package told puts into words what a guard sees. The crew's tool and the page show a
// guard by it, so that the guard itself carries no sentences for them.
//
// It promises: a state has one sentence, one meaning and something to do; what is
// missing is said to be, with its cause. It asks the guard nothing but what it runs on
// and what it sees, and works out no decision.
package told

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"downhaul/interlock"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/pad"
	"downhaul/interlock/pad/unseen"
	"downhaul/rules"
	"downhaul/rules/card"
	"downhaul/rules/rounding"
)

// OldAfter is the age from which a Status is no state any more: it is at most a
// tenth of a second old while the loop turns, whatever is heard. Page and
// terminal say so then.
const OldAfter = time.Second

// StatusSchema is the version of Status as JSON.
const StatusSchema = 1

// Setup is what a guard runs on, as far as words need it.
type Setup struct {
	Pad      *pad.Pad
	Envelope *rules.Envelope
	Card     *card.Card // nil without one
	// Session is the session whose files these are.
	Session string
}

// Read reads what a guard of that session said it runs on.
func Read(session string, f *answers.Files) (*Setup, error) {
	p, faults := pad.Read("pad.toml", []byte(f.Pad))
	env, more := rules.ReadEnvelope("envelope.toml", []byte(f.Envelope))
	if faults = append(faults, more...); len(faults) > 0 {
		return nil, fmt.Errorf("the guard runs on files that this program refuses; are both of one version? %w", faults)
	}
	setup := &Setup{Pad: p, Envelope: env, Session: session}
	if f.Card != "" {
		if setup.Card, faults = card.Read("card.toml", []byte(f.Card)); setup.Card == nil {
			return nil, fmt.Errorf("the guard runs on a test card that this program refuses; are both of one version? %w", faults)
		}
	}
	return setup, nil
}

// Status is what `status` shows and the page reads. Values are SI, with the
// unit beside them; texts are for people, in the units of the envelope.
type Status struct {
	Schema  int    `json:"schema"`
	Session string `json:"session"`
	Folder  string `json:"folder"`
	// Mark is set where no real relay is worked, and says so.
	Mark string `json:"mark,omitempty"`
	// Title is the envelope's.
	Title string  `json:"title"`
	At    float64 `json:"at_s"`
	// AgeS is how old all of this was when it was told: the loop's own age, and
	// no word of how long the craft was silent.
	AgeS     float64 `json:"age_s"`
	Duty     string  `json:"duty"`
	State    string  `json:"state"`
	SinceS   float64 `json:"since_s"`
	Sentence string  `json:"sentence"`
	// Meaning is the word of the state's colour, after IEC 60073.
	Meaning string   `json:"meaning"`
	DoNow   []string `json:"do_now"`
	Sound   string   `json:"sound"`
	// Silenced reports whether a sound was silenced although its cause stands.
	Silenced bool `json:"sound_silenced"`
	// Flash is the last flash of the lamp, null before the first.
	Flash    *FlashStatus `json:"flash"`
	RelayOn  bool         `json:"relay_on"`
	Closed   bool         `json:"closed"`
	Armed    bool         `json:"armed"`
	Airborne bool         `json:"airborne"`
	// ArmedSays and InTheAir are "yes", "no" or "not known"; Armed and Airborne are true
	// where it is not known.
	ArmedSays string `json:"armed_says"`
	InTheAir  string `json:"in_the_air"`
	KeepOut   bool   `json:"keep_out"`
	// GraceLeft is the time until a controlled stop takes the power off; null
	// where none runs.
	GraceLeft  *float64 `json:"grace_left_s"`
	FirstCause string   `json:"first_cause"`
	// Causes are the trips of this episode in their order, the first first.
	Causes   []CauseStatus `json:"causes"`
	NotReady []string      `json:"not_ready_because"`
	// Permissives are the envelope's conditions for a start. Losing one while
	// live is logged and shown, and is no trip.
	Permissives []PermissiveStatus `json:"permissives"`
	// Acts are the last acts of people, oldest first.
	Acts []answers.ActStatus `json:"acts"`
	// CraftSays are the newest texts of the craft in its own words, the newest first;
	// CraftSaysMore counts texts, and parts of them, that came too fast to be kept.
	CraftSays     []CraftSays           `json:"craft_says"`
	CraftSaysMore uint64                `json:"craft_says_not_kept"`
	Rules         []RuleStatus          `json:"rules"`
	Channels      []ChannelStatus       `json:"channels"`
	Unseen        []string              `json:"unseen"`
	Trips         uint32                `json:"trips"`
	Kept          uint32                `json:"trips_on_disk"`
	Loop          answers.LoopStatus    `json:"loop"`
	Link          answers.LinkStatus    `json:"link"`
	Signing       answers.SigningStatus `json:"signing"`
	// Declared is what the crew declared and what the test card asks.
	Declared answers.Declared `json:"declared"`
	// Counted is what wears, over sessions; null where nothing counts, as in a
	// rehearsal.
	Counted *answers.Counted `json:"counted"`
	// Packs are those that were declared for a start, each over all crafts.
	Packs []PackCounted `json:"packs"`
	// Trouble is the last thing that went wrong with records or outputs.
	Trouble []string `json:"trouble"`
}

// PackCounted is what one pack wore: each start is a cycle of the contactor too.
type PackCounted struct {
	Pack        string  `json:"pack"`
	Starts      int     `json:"starts"`
	LiveS       float64 `json:"live_s"`
	FullOutputS float64 `json:"full_output_s"`
}

// RuleStatus is one rule now.
type RuleStatus struct {
	Name    string `json:"name"`
	Channel string `json:"channel"`
	Now     string `json:"now"`
	// ValueText, LimitText and HeadroomText are for people; the first and the
	// last are empty where there is no value.
	ValueText    string `json:"value_text"`
	LimitText    string `json:"limit_text"`
	HeadroomText string `json:"headroom_text"`
	// Beside is what belongs beside the value: the height itself beside the predicted top.
	Beside   string   `json:"beside"`
	Value    *float64 `json:"value"`
	Limit    float64  `json:"limit"`
	Headroom *float64 `json:"headroom"`
	Unit     string   `json:"unit"`
	Stop     string   `json:"stop"`
	Caution  bool     `json:"caution"`
	Demand   bool     `json:"demand"`
	Missing  bool     `json:"missing"`
	InForce  bool     `json:"in_force"`
	RestsOn  string   `json:"rests_on"`
}

// ChannelStatus is one channel's last reading.
type ChannelStatus struct {
	Channel string `json:"channel"`
	Says    string `json:"says"`
	// Text is the value for people, in the unit Shown; AsShown is the number.
	Text    string   `json:"text"`
	Shown   string   `json:"shown_unit"`
	AsShown *float64 `json:"shown"`
	Value   *float64 `json:"value"`
	Unit    string   `json:"unit"`
	Cause   string   `json:"cause,omitempty"`
	AgeS    *float64 `json:"age_s"`
}

// CraftSays is a text of the craft, escaped.
type CraftSays struct {
	At       float64 `json:"at_s"`
	Severity string  `json:"severity"`
	Text     string  `json:"text"`
}

// FlashStatus is the last flash of the lamp, by which cameras are lined up
// with the log: it stood for State.
type FlashStatus struct {
	At    float64 `json:"at_s"`
	AgoS  float64 `json:"ago_s"`
	State string  `json:"state"`
}

// CauseStatus is one trip of this episode.
type CauseStatus struct {
	Trip   uint32  `json:"trip"`
	At     float64 `json:"at_s"`
	AfterS float64 `json:"after_s"` // after the first
	First  bool    `json:"first"`
	Text   string  `json:"text"`
	Stop   string  `json:"stop"`
	// Stands says, for a rule and for a silence of the craft, whether it is still
	// so; null for other built-in interlocks.
	Stands *bool `json:"stands"`
	// Part reports whether it is no trip of its own: it came with the silence that Trip is.
	Part bool `json:"part"`
	// Now is what has become of it, empty where that cannot be told.
	Now string `json:"now"`
}

// PermissiveStatus is one condition for a start.
type PermissiveStatus struct {
	Name      string   `json:"name"`
	Channel   string   `json:"channel"`
	Condition string   `json:"condition"`
	Now       string   `json:"now"`
	Value     *float64 `json:"value"`
	Limit     float64  `json:"limit"`
	Unit      string   `json:"unit"`
	Holds     bool     `json:"holds"`
}

// silentAfter is how long a craft is not heard until people are told of it; a
// second source of the same word would only flicker.
const silentAfter = 2 * time.Second

// silence returns what to say of a craft that is not heard, empty while it is.
// That the guard runs is said with it: a silent craft and a guard that stands
// still look alike on a screen.
func silence(s *answers.Seen) string {
	switch silent := s.View.At - s.Heard; {
	case s.Link.Frames == 0 && s.View.At > silentAfter:
		return "Craft not heard yet. The guard is running: look at the craft's power and its link."
	case s.Link.Frames > 0 && silent > silentAfter:
		return fmt.Sprintf("Craft not heard for %.0f s. The guard is running: look at the craft's power and its link.", silent.Seconds())
	}
	return ""
}

func some(v float64) *float64 { return &v }

// Fits returns why this is not what a guard on these files sees, nil if it is.
func (r *Setup) Fits(s *answers.Seen) error {
	if v := &s.View; len(v.Rules) != len(r.Envelope.Rules) || len(v.Permissives) != len(r.Envelope.Permissives) || len(v.Holds) != len(v.Permissives) || len(s.Readings) != len(answers.Shown) {
		return errors.New("what the guard sees does not fit what it says it runs on; are tool and guard of one version?")
	}
	return nil
}

// Status puts into words what the guard sees, where it fits.
func (r *Setup) Status(s *answers.Seen) *Status {
	env, v := r.Envelope, &s.View
	out := &Status{
		Schema: StatusSchema, Session: s.Session, Folder: s.Folder, Mark: s.Mark, Title: env.Title, At: v.At.Seconds(),
		AgeS: s.Age.Seconds(), Duty: "watch", State: v.State.String(), SinceS: v.Since.Seconds(),
		Sentence: Sentence(v), Meaning: Meaning(v), DoNow: DoNow(v, env), Sound: v.Sound.String(), Silenced: v.Hushed,
		RelayOn: v.RelayOn, Closed: v.Closed, Armed: v.Armed, Airborne: v.Airborne, KeepOut: v.KeepOut || s.Declared.KeepOut != "", Trips: v.Trips, Kept: v.Kept,
		Causes: causes(s, env), NotReady: r.notReady(s), Permissives: r.permissives(v), Acts: acts(s),
		CraftSays: []CraftSays{}, CraftSaysMore: s.WordsMore,
		Rules: []RuleStatus{}, Channels: r.channels(s), Unseen: []string{}, Trouble: append([]string{}, s.Trouble...),
		Loop: s.Loop, Link: s.Link, Signing: s.Signing, Declared: s.Declared, Counted: s.Counted, Packs: []PackCounted{},
	}
	out.ArmedSays, out.InTheAir = sure(v, rules.CraftArmed, v.Armed, 1), sure(v, rules.CraftLanded, v.Airborne, 0)
	if v.Flash != rules.Never {
		out.Flash = &FlashStatus{At: v.Flash.Seconds(), AgoS: (v.At - v.Flash).Seconds(), State: v.FlashState.String()}
	}
	if v.Duty == interlock.Guard {
		out.Duty = "guard"
	}
	if v.Grace != rules.Never {
		out.GraceLeft = some(max(0, v.Grace-v.At).Seconds())
	}
	if v.First.Kind != 0 {
		out.FirstCause = interlock.FirstCause(env, v.First)
	}
	if fell := s.Declared.KeepOut; fell != "" && !v.Closed {
		out.DoNow = append([]string{strings.ToUpper(fell[:1]) + fell[1:] + "."}, out.DoNow...)
	}
	for _, text := range []string{r.hover(s), silence(s)} {
		if text != "" {
			out.DoNow = append(out.DoNow, text)
		}
	}
	for _, p := range s.Packs {
		out.Packs = append(out.Packs, PackCounted{p.Name, p.Starts, p.Live.Seconds(), p.Full.Seconds()})
	}
	for i := range v.Rules {
		out.Rules = append(out.Rules, r.rule(s, i))
	}
	for _, w := range s.Words {
		out.CraftSays = append(out.CraftSays, CraftSays{w.At.Seconds(), w.Word(), w.Text})
	}
	for _, u := range unseen.List(r.Pad, env) {
		out.Unseen = append(out.Unseen, u.String())
	}
	if s.Link.Frames > 0 {
		out.Link.SilentS = some((v.At - s.Heard).Seconds())
	}
	out.Trouble = append(out.Trouble, refused(&s.Signing)...)
	if s.Loop.LostRecords > 0 {
		out.Trouble = append(out.Trouble, "records were lost: the disk was too slow or full")
	}
	return out
}

// refused are the reasons for which frames under the craft's name were refused, counted.
func refused(n *answers.SigningStatus) (out []string) {
	for _, w := range []struct {
		n    uint64
		says string
	}{
		{n.Unsigned, "are not signed; set the craft to sign with this pad's key"},
		{n.WrongKey, "are signed with another key"},
		{n.Repeated, "were heard before, or came late: a recording on the link?"},
		{n.Behind, "are over a minute behind this computer's clock; see which clock is wrong"},
		{n.Ahead, "are over a minute ahead of this computer's clock; see which clock is wrong"},
		{n.Streams, "have one link number too many"},
	} {
		if w.n > 0 {
			out = append(out, fmt.Sprintf("frames refused, %d: they %s", w.n, w.says))
		}
	}
	return out
}

// sure reports whether something is so, where the phase says it may be: only a fresh sign of
// the craft makes it sure.
func sure(v *interlock.View, id rules.ChannelID, may bool, then float64) string {
	if !may {
		return "no"
	}
	for _, s := range v.Signs {
		if s.ID == id && s.Told != rules.Never && v.At-s.Told <= s.Old && s.Reading.Quality == rules.Good && s.Reading.Value == then {
			return "yes"
		}
	}
	return "not known"
}

func (r *Setup) rule(s *answers.Seen, i int) RuleStatus {
	v := &s.View
	rule, now := &r.Envelope.Rules[i], &v.Rules[i]
	kind := rule.Watch.Channel().Kind
	if rule.Form == rules.RisingFaster || rule.Form == rules.FallingFaster {
		kind = kind.Rate()
	}
	out := RuleStatus{Name: rule.Name, Channel: rule.Watch.String(), Now: v.RuleNow(r.Envelope, i), Limit: rule.Limit,
		Unit: rules.SIUnit(kind), Stop: rule.Stop.String(), Caution: now.Caution, Demand: now.Demand,
		Missing: now.Missing, InForce: now.InForce, RestsOn: r.Pad.Fed(rule.Watch).String()}
	out.LimitText = rules.FormatExact(rule.Limit, rule.Unit)
	if rule.Form == rules.Outside {
		out.LimitText += " to " + rules.FormatExact(rule.LimitHigh, rule.Unit)
	}
	if now.HasValue {
		out.Value, out.Headroom = some(now.Value), some(now.Headroom)
		out.ValueText, out.HeadroomText = r.text(rule.Watch, now.Value, rule.Unit, rule.Limit, rule.LimitHigh), rounding.Headroom(now.Headroom, rule.Unit)
	}
	if rule.Watch == rules.Apex && rule.Form < rules.RisingFaster {
		out.Beside = "top if power is cut now"
		if n := slices.Index(answers.Shown[:], rules.Height); s.Readings[n].Quality != rules.Missing {
			out.Beside += "; height " + rules.Reading(s.Readings[n].Value, rule.Unit)
		}
	}
	return out
}
